"""Run the command line as `python -m mediaprep`."""

from mediaprep.cli.main import run

run()
