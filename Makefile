# Everything a user or a developer needs starts here. `make demo` and `make test` set up what they need themselves.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: demo test quick lint faults bench docs lock system-packages clean

# The environment is rebuilt only when the lock or the project file changes.
$(STAMP): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "mediaprep needs Python 3.11 or newer: set PYTHON=/path/to/python3.11"; exit 1; }
	@$(PYTHON) -c 'import ensurepip' 2>/dev/null || { echo "This Python lacks venv: on Debian, 'apt-get install python3-venv' first"; exit 1; }
	@echo "Setting up $(VENV) (once) ..."
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip --disable-pip-version-check --quiet install --require-hashes --only-binary :all: -r requirements.lock
	@$(BIN)/python -m pip --disable-pip-version-check --quiet install --no-deps --no-build-isolation --editable .
	@touch $(STAMP)

demo: $(STAMP)
	@$(BIN)/mediaprep demo --data-dir demo-data --fresh

# Tools that some tests compare with (mkfs.vfat, mtools, fsck.vfat, losetup). As root on Debian they are installed;
# elsewhere the tests that need them say so and are skipped.
system-packages:
	@tools/system-packages

test: $(STAMP) system-packages lint
	@$(BIN)/python -m pytest -n auto

quick: $(STAMP)
	@$(BIN)/python -m pytest -n auto -m "not slow"

lint: $(STAMP)
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy

# The whole campaign of kills: 100 random moments of a write, each followed by a check of the records and a resume.
faults: $(STAMP)
	@$(BIN)/python -m tests.faults.campaign --kills 100

bench: $(STAMP)
	@$(BIN)/python -m tests.bench.main_job
	@$(BIN)/python -m tests.bench.archive_size --bytes 2000000000
	@$(BIN)/python -m tests.bench.status_speed
	@$(BIN)/python -m tests.bench.records_scale

docs: $(STAMP)
	@$(BIN)/python -m tools.reference

# Needs uv on PATH. One lock for every Python from 3.11 on.
lock:
	uv pip compile --universal --only-binary :all: --python-version 3.11 --generate-hashes --no-header --quiet --extra dev pyproject.toml -o requirements.lock

clean:
	rm -rf $(VENV) demo-data build dist *.egg-info
