# Two commands: `make demo` runs the main job on the sample logs, `make test` passes the tests.
# Both set up their own virtual environment; nothing but Python 3.11+ and make is needed.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
RUN_READY := $(VENV)/.ready-run
ALL_READY := $(VENV)/.ready-all
WORKERS ?= 2

.PHONY: demo test check lint types bench bench-full browser samples audit fuzz clean

demo: $(RUN_READY)
	$(BIN)/loganalyzer demo

test: $(ALL_READY) browser
	$(BIN)/pytest -n $(WORKERS) $(PYTEST)

check: lint types test

lint: $(ALL_READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(ALL_READY)
	$(BIN)/mypy

bench: $(ALL_READY)
	$(BIN)/python -m tests.benchmarks --quick

bench-full: $(ALL_READY)
	$(BIN)/python -m tests.benchmarks

samples: $(ALL_READY)
	$(BIN)/python -m tests.tools.simulator samples --out sample_logs

# Known weaknesses in what we depend on. Without a network nothing is audited, and it says so.
audit: $(ALL_READY)
	@$(BIN)/python -m pip install --quiet --editable '.[audit]' || $(BIN)/python -c 'import pip_audit'
	$(BIN)/python .ci/audit.py

# The coverage-guided fuzzer; its quick part, without coverage, is among the tests.
SECONDS ?= 600
fuzz: $(ALL_READY)
	@$(BIN)/python -m pip install --quiet --editable '.[fuzz]'
	$(BIN)/python -m tests.fuzz --seconds $(SECONDS)

# The browser tests want a Chromium of the system. Where it cannot be had they say so and fail.
browser:
	@sh .ci/chromium

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "$(PYTHON) is older than Python 3.11. Install a newer one, then: make PYTHON=python3.12 demo"; exit 1; }
	@$(PYTHON) -m venv $(VENV) || { \
	  echo "$(PYTHON) cannot make a virtual environment. On Debian and Ubuntu: apt-get install python3-venv"; exit 1; }
	@$(BIN)/python -m pip install --quiet --upgrade pip

$(RUN_READY): pyproject.toml | $(VENV)/bin/python
	@echo "Installing what the analyzer needs into $(VENV) (once)"
	@$(BIN)/python -m pip install --quiet --editable .
	@touch $@

$(ALL_READY): pyproject.toml | $(VENV)/bin/python
	@echo "Installing what the tests need into $(VENV) (once)"
	@$(BIN)/python -m pip install --quiet --editable '.[test,bench,dev]'
	@touch $@ $(RUN_READY)

clean:
	rm -rf $(VENV) demo-store bench-data test-results .pytest_cache .mypy_cache .ruff_cache .hypothesis
