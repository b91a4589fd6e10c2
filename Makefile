# Two commands matter: `make demo` and `make test`. Each makes the virtual environment from the lock files.
# PYTHON may name another interpreter (3.11 to 3.13).
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check

.PHONY: demo test check lock clean venv

demo: $(VENV)/installed
	$(BIN)/shotgram demo

test: check
	$(BIN)/python -m pytest -n auto

check: $(VENV)/dev-installed
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

venv: $(VENV)/dev-installed

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' || \
	  { echo "Shotgram needs Python 3.11 to 3.13; name one with: make PYTHON=python3.12 ..." >&2; exit 1; }
	@$(PYTHON) -m venv $(VENV) || \
	  { echo "This Python cannot make a virtual environment. On Debian: apt-get install python3-venv" >&2; rm -rf $(VENV); exit 1; }

$(VENV)/installed: requirements.lock pyproject.toml | $(BIN)/python
	$(PIP) install --quiet --require-hashes -r requirements.lock
	$(PIP) install --quiet --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/dev-installed: requirements-dev.lock $(VENV)/installed
	$(PIP) install --quiet --require-hashes -r requirements-dev.lock
	@touch $@

# Needs uv (pip install uv); run after changing the dependencies in pyproject.toml.
lock:
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --quiet \
	  --extra simulators --extra page --extra sparkplug pyproject.toml -o requirements.lock
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --quiet \
	  --extra dev pyproject.toml -c requirements.lock -o requirements-dev.lock

clean:
	rm -rf $(VENV) build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis
