"""The command line: a thin shell over `mediaprep.session` and the records."""
