# Needed: python3 (3.11 or newer, with venv) and make; everything else comes into .venv from the package registry.
.DEFAULT_GOAL := help
SHELL := /bin/sh
PYTHON ?= python3
BIN := .venv/bin
STAMP := .venv/.synced

# Checks read the settings; as in a trial, they need no secrets from the environment.
export LIMS_TRIAL ?= 1

.PHONY: help demo demo-check test test-records test-pages test-science check bench pictures format clean

help: ## Show this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## /{printf "  make %-12s %s\n", $$1, $$2}' Makefile

demo: $(STAMP) ## Start a laboratory with invented data on this machine; Ctrl-C stops it
	@exec $(BIN)/python -m lims.local

demo-check: $(STAMP) ## Start it, wait for ranked samples, print them, stop; the exit code tells
	@exec $(BIN)/python -m lims.local check

test: $(STAMP) ## Run all tests (those in a browser are left out when there is no Chromium)
	@$(MAKE) --no-print-directory --jobs=2 --output-sync=target test-records test-pages test-science

# The parts share nothing, each has servers of its own, so that they run side by side. The longest comes first.
test-records: $(STAMP)
	$(BIN)/python -m pytest --ignore=tests/analysis --ignore=tests/browser --ignore=tests/web --ignore=tests/api

test-pages: $(STAMP)
	$(BIN)/python -m pytest tests/browser tests/web tests/api

test-science: $(STAMP)
	$(BIN)/python -m pytest tests/analysis

check: $(STAMP) ## Formatting, lint, types, imports, settings, migrations, architecture
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python manage.py check --fail-level WARNING
	$(BIN)/python -W ignore::RuntimeWarning manage.py makemigrations --check --dry-run
	$(BIN)/python -m pytest tests/architecture

bench: $(STAMP) ## Measure speed against the limits we set ourselves, and try the longest sequences
	$(BIN)/python -m pytest tests -m bench -s

pictures: $(STAMP) ## Take the pictures of README.md from the demonstration laboratory (needs Chromium)
	$(BIN)/python -m tests.browser.pictures

format: $(STAMP) ## Put the code into its form
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

clean: ## Remove the environment and caches; data under var/ stay
	rm -rf .venv .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache

# The environment: made once, brought up to date when the lock changes. uv comes by pip into the environment itself, so
# a system Python that is managed by the distribution is left alone.
$(STAMP): uv.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || \
	  { echo "Python 3.11 or newer is needed; '$(PYTHON)' is $$($(PYTHON) --version 2>&1). Name another: make PYTHON=python3.12"; exit 1; }
	@test -x $(BIN)/python || $(PYTHON) -m venv .venv >/dev/null 2>&1 || $(PYTHON) -m venv --clear --without-pip .venv || \
	  { rm -rf .venv; echo "Python's venv is missing; install it (on Debian: apt-get install python3-venv) and run make again."; exit 1; }
	@test -x $(BIN)/uv || $(BIN)/python -m pip install --quiet --disable-pip-version-check uv 2>/dev/null || \
	  $(PYTHON) -m pip --python $(BIN)/python install --quiet --disable-pip-version-check uv || \
	  { rm -rf .venv; echo "pip could not install uv: check the package registry, and that Python has ensurepip (on Debian: apt-get install python3-venv)."; exit 1; }
	@UV_PROJECT_ENVIRONMENT=.venv $(BIN)/uv sync --frozen --quiet
	@touch $(STAMP)
