# Two commands matter: `make demo` and `make test`. Each makes the virtual environment from the lock files.
# PYTHON may name another interpreter (3.11 to 3.13).
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
SUPPLY := .venv-supply
# Tests beside each other: one more than processors, for many of them wait for a broker, a clock or a browser.
WORKERS ?= $(shell echo $$(($$(getconf _NPROCESSORS_ONLN) + 1)))
PIP := $(BIN)/python -m pip --disable-pip-version-check

.PHONY: faults demo test slow check lock clean venv sbom audit

demo: $(VENV)/installed
	$(BIN)/shotgram demo

test: check
	$(BIN)/python -m pytest -m "alone and not slow"
	$(BIN)/python -m pytest -n $(WORKERS) --dist worksteal -m "not alone and not slow"

# The long studies and what needs brokers that CI does not install: half an hour and more.
slow: check
	$(BIN)/python -m pytest -m slow

check: $(VENV)/dev-installed
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# The fault campaign in its full form: root, the real parts and an hour. The short form is in `make test`.
faults: $(VENV)/dev-installed
	@mkdir -p build
	$(BIN)/python tests/campaign/campaign.py --full --report build/faults.txt
	SHOTGRAM_KILLS=1000 SHOTGRAM_POWER_CUTS=500 \
	  $(BIN)/python -m pytest --timeout 7200 tests/system/test_journal_crashes.py
	$(BIN)/python tests/campaign/soak.py

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

# What the agent is made of, as a CycloneDX 1.6 list with the hash of every package; the same bytes every time.
sbom: build/sbom.cdx.json

build/sbom.cdx.json: requirements.lock pyproject.toml $(SUPPLY)/installed
	@mkdir -p build
	$(SUPPLY)/bin/cyclonedx-py requirements --pyproject pyproject.toml --sv 1.6 --output-reproducible --validate \
	  -o $@ requirements.lock

# Known vulnerabilities of it. Fails where the service is not reached: not audited is not sound.
audit: $(SUPPLY)/installed
	.ci/audit $(SUPPLY)/bin

$(SUPPLY)/installed: .ci/supply.lock
	@$(PYTHON) -m venv $(SUPPLY)
	$(SUPPLY)/bin/python -m pip --disable-pip-version-check install --quiet --require-hashes -r .ci/supply.lock
	@touch $@

# Needs uv (pip install uv); run after changing the dependencies in pyproject.toml.
lock:
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --quiet \
	  --extra simulators --extra page --extra sparkplug pyproject.toml -o requirements.lock
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --quiet \
	  --extra dev pyproject.toml -c requirements.lock -o requirements-dev.lock
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --quiet \
	  .ci/supply.in -o .ci/supply.lock

clean:
	rm -rf $(VENV) $(SUPPLY) build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis
