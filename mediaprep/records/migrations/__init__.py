"""The steps by which the records came to the form they have, run by `open_records`."""
