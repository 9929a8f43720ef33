# Two commands do all the set-up: `make demo` grows a crystal, `make test` checks the whole tree.
# Everything is installed into .venv from hash-locked files; PYTHON may be any Python from 3.11 on.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check -q
WORKERS ?= 2

.PHONY: demo bench page browser test test-slow lint lock clean help

help:
	@echo "make demo       install, then grow the demo crystal and say where its pictures are"
	@echo "make bench      install, build the page and open the bench in the browser"
	@echo "make page       build the page only (brings the Node that it needs)"
	@echo "make test       install what the tests need, then lint, types, floor plan and quick tests"
	@echo "make test-slow  the tests that take minutes"
	@echo "make lint       ruff, mypy and the floor plan only"
	@echo "make lock       resolve the locked requirements anew"
	@echo "make clean      remove what make made"

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "icewright needs Python 3.11 or newer, got " + sys.version.split()[0] + "; try: make PYTHON=python3.11 $(MAKECMDGOALS)")'
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: requirements.lock pyproject.toml | $(BIN)/python
	$(PIP) install --require-hashes -r requirements.lock
	$(PIP) install --no-deps --no-build-isolation -e .
	@touch $@

$(VENV)/.installed-dev: requirements-dev.lock $(VENV)/.installed
	$(PIP) install --require-hashes -r requirements-dev.lock
	@touch $@

demo: $(VENV)/.installed
	@rm -rf demo-run
	$(BIN)/icewright grow examples/star.toml --out demo-run
	@echo "The pictures are in $(CURDIR)/demo-run/pictures"

page: $(VENV)/.installed
	$(BIN)/python page/build.py

bench: page
	$(BIN)/icewright bench

# A Chromium for the browser tests: as root on Debian and its kin it is fetched, elsewhere the line to type is said.
browser: $(VENV)/.installed-dev
	@$(BIN)/python tests/browser/chromium.py --install

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

test: lint browser
	$(BIN)/python page/build.py --test
	$(BIN)/pytest -n $(WORKERS) -m "not slow"

test-slow: $(VENV)/.installed-dev
	$(BIN)/pytest -m slow

# Needs uv (pip install uv). One version of each package for all Pythons, so that all are tested with the same.
UV := uv pip compile -q --universal --python-version 3.11 --fork-strategy fewest --generate-hashes --no-header --no-annotate
lock:
	$(UV) --upgrade pyproject.toml requirements-build.in -o requirements.lock
	$(UV) --upgrade --extra dev -c requirements.lock pyproject.toml requirements-build.in -o requirements-dev.lock

clean:
	rm -rf $(VENV) demo-run build dist page/node_modules src/icewright/bench/static .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis
	find . -name __pycache__ -type d -not -path "./.git/*" -prune -exec rm -rf {} +
