# The two commands: `make demo` and `make test`. Everything else is for developers.
SHELL := bash
.SHELLFLAGS := -eu -o pipefail -c
.DEFAULT_GOAL := help

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
RUN_STAMP := $(VENV)/run.stamp
DEV_STAMP := $(VENV)/dev.stamp
DOCS_STAMP := $(VENV)/docs.stamp
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-input --no-compile
LOCKED := --require-hashes --no-deps --no-build-isolation --only-binary :all: --no-binary connection-pool
# pip compiles on one core, and the tests of libraries too; some file may be meant for another Python.
COMPILE := $(BIN)/python -m compileall -qq -j 2 -x "/tests?/"

# Nothing phones home.
export MLFLOW_DISABLE_TELEMETRY := true
export DO_NOT_TRACK := 1
export GX_ANALYTICS_ENABLED := False

.PHONY: help demo demo-forward test test-slow test-longest benchmarks check lint types imports format lock schema workflow reference docs docs-figures setup clean
help:
	@echo "make demo       set up, run the demo study, say where the report is"
	@echo "make demo-forward   set up, play the demo study day by day"
	@echo "make test       set up, run the test suite (without the slow tests)"
	@echo "make test-slow  the slow tests, but for the longest"
	@echo "make test-longest   the ten slowest, minutes each"
	@echo "make benchmarks time and memory against the plain way, held to their bounds (half an hour)"
	@echo "make check      everything that CI runs, but the slow tests and the site"
	@echo "make docs       the documentation site: docs/_build/html/index.html"

$(VENV)/bin/python:
	@command -v $(PYTHON) >/dev/null || { echo "leafledger needs Python 3.11 or newer: '$(PYTHON)' was not found. Install it, or say which: make demo PYTHON=/path/to/python3"; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "leafledger needs Python 3.11 or newer; $$($(PYTHON) --version) was found. Say which to use: make demo PYTHON=/path/to/python3.11"; exit 1; }
	@$(PYTHON) -c 'import venv, ensurepip' 2>/dev/null || { echo "This Python lacks the venv module (Debian and Ubuntu: install python3-venv)."; exit 1; }
	@echo "Making a virtual environment in $(VENV) ..."
	@$(PYTHON) -m venv $(VENV)

$(RUN_STAMP): requirements/build.txt requirements/run.txt pyproject.toml | $(VENV)/bin/python
	@echo "Installing what a run needs (about a minute, 1 GB) ..."
	@$(PIP) --require-hashes --no-deps --only-binary :all: -r requirements/build.txt
	@$(PIP) $(LOCKED) -r requirements/run.txt
	@$(PIP) --no-deps --no-build-isolation --editable .
	@$(COMPILE) $(VENV)/lib src || true
	@touch $@

$(DEV_STAMP): requirements/dev.txt $(RUN_STAMP)
	@echo "Installing what the tests need ..."
	@$(PIP) $(LOCKED) -r requirements/dev.txt
	@$(COMPILE) $(VENV)/lib || true
	@touch $@

$(DOCS_STAMP): requirements/docs.txt $(DEV_STAMP)
	@echo "Installing what the documentation site needs ..."
	@$(PIP) $(LOCKED) -r requirements/docs.txt
	@$(COMPILE) $(VENV)/lib || true
	@touch $@

setup: $(DEV_STAMP)

demo: $(RUN_STAMP)
	@$(BIN)/leafledger demo leafledger-demo --cores 2

demo-forward: $(RUN_STAMP)
	@$(BIN)/leafledger demo --forward leafledger-forward-demo --cores 2

test: $(DEV_STAMP)
	@$(BIN)/python -m pytest -m "not slow" -n 2 --dist loadfile --no-loadscope-reorder

test-slow: $(DEV_STAMP)
	@$(BIN)/python -m pytest -m "slow and not longest" -n 2 --dist loadfile --no-loadscope-reorder

# Simulations, fifty kills, the tutorial and whole studies: they would take the build server over its 40 minutes.
test-longest: $(DEV_STAMP)
	@$(BIN)/python -m pytest -m longest -n 2

# Each script says how long it takes and ends with 1 if it missed a bound; all are run.
benchmarks: $(DEV_STAMP)
	@missed=; for script in benchmarks/*.py; do case $$script in */bounds.py|*/scale.py) continue;; esac; \
	echo "== $$script"; $(BIN)/python $$script || missed="$$missed $$script"; done; \
	test -z "$$missed" || { echo "bounds missed in:$$missed"; exit 1; }

check: lint types imports test

lint: $(DEV_STAMP)
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/snakefmt --check Snakefile workflow
	@$(BIN)/codespell --skip "docs/_build,*.min.js" src tests docs workflow README.md DEVELOPERS.md CHANGELOG.md

types: $(DEV_STAMP)
	@$(BIN)/mypy

imports: $(DEV_STAMP)
	@$(BIN)/lint-imports

format: $(DEV_STAMP)
	@$(BIN)/ruff check --fix .
	@$(BIN)/ruff format .
	@$(BIN)/snakefmt Snakefile workflow

schema: $(DEV_STAMP)
	@$(BIN)/python -m leafledger.study.definition config/study.schema.json

# The Snakemake rules under workflow/rules, from the registry of rules.
workflow: $(DEV_STAMP)
	@$(BIN)/python -m leafledger.runner.workflow workflow/rules

# The pages of docs/reference, from the models, the tables and the commands.
reference: $(DEV_STAMP)
	@$(BIN)/python docs/_ext/reference_pages.py

# Renews docs/report.png and the pictures of docs/reading_figures.md from the demo as it is now. Needs Chromium.
docs-figures: demo $(DEV_STAMP)
	@$(BIN)/python docs/_ext/figure_pictures.py leafledger-demo

docs: $(DOCS_STAMP)
	@$(BIN)/sphinx-build -W --keep-going --quiet -b html -d docs/_build/doctrees docs docs/_build/html
	@$(BIN)/python docs/_ext/check_site.py docs/_build/html
	@echo "Site: docs/_build/html/index.html"

# Needs uv; writes the lock files anew, without the address of any registry.
lock:
	cd requirements && for name in build run dev docs; do uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-annotate --no-header $$name.in -o $$name.txt; done

clean:
	rm -rf leafledger-demo leafledger-forward-demo docs/_build .pytest_cache .mypy_cache .ruff_cache .import_linter_cache
