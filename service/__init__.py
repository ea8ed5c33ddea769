"""The service: mediaprep for other programs on this computer, over HTTP. It imports `mediaprep`, never the reverse."""
