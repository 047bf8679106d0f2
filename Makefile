# Two commands are enough for a fresh machine: `make demo` and `make test`. Needs Python 3.11+, git, make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready
CODE := bench tests

.PHONY: help demo test quick conformance lint format docs evidence speed lock clean

help:
	@echo "make demo      run the main job on the virtual box, once healthy and once with a seeded fault"
	@echo "make test      everything CI checks"
	@echo "make quick     the tests that do not wait for a clock"
	@echo "make conformance  the conformance kit on every link, SocketCAN in user-mode Linux included"
	@echo "make lint      ruff and mypy only"
	@echo "make format    let ruff put code and imports into shape"
	@echo "make docs      write docs/commands.md and the sample runs in README.md anew"
	@echo "make evidence  the full studies; writes docs/evidence (long)"
	@echo "make speed     the speed studies alone; writes docs/evidence/speed.md and reading.md"
	@echo "make lock      renew requirements-ci.txt from pyproject.toml"
	@echo "make clean     remove what the other targets made"

$(READY): requirements-ci.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "Hardstand needs Python 3.11 or newer; this is %s. Name another one: make PYTHON=python3.12 test" % sys.version.split()[0])'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements-ci.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $@

demo: $(READY)
	@$(BIN)/hardstand demo

# Tests against the real clock run after the others, four at a time as they mostly wait, and those that measure it alone.
test: $(READY)
	@$(MAKE) --no-print-directory -j2 lint quick
	$(BIN)/python -m pytest -n 4 --dist worksteal -m "realtime and not alone"
	$(BIN)/python -m pytest -m alone

quick: $(READY)
	$(BIN)/python -m pytest -n auto --dist worksteal -m "not realtime"

conformance: $(READY)
	$(BIN)/python -m pytest -rs tests/conformance

lint: $(READY)
	$(BIN)/ruff check $(CODE)
	$(BIN)/ruff format --check $(CODE)
	$(BIN)/mypy

format: $(READY)
	$(BIN)/ruff check --fix $(CODE)
	$(BIN)/ruff format $(CODE)

docs: $(READY)
	$(BIN)/python -m bench.cli.manual docs/commands.md
	$(BIN)/python -m bench.evidence.sample

evidence: $(READY)
	$(BIN)/python -m bench.evidence

speed: $(READY)
	$(BIN)/python -m bench.evidence speed reading

# Exact versions for CI, made from the ranges in pyproject.toml in an empty environment.
lock:
	rm -rf .venv-lock
	$(PYTHON) -m venv .venv-lock
	.venv-lock/bin/python -m pip install --quiet 'setuptools>=77' wheel
	.venv-lock/bin/python -m pip install --quiet --no-build-isolation '.[dev,stores]'
	{ echo "# Exact versions that CI uses. Made by 'make lock' from the ranges in pyproject.toml;"; \
	  echo "# do not edit by hand."; \
	  .venv-lock/bin/python -m pip freeze --all --exclude hardstand --exclude pip; } > requirements-ci.txt
	rm -rf .venv-lock build *.egg-info

clean:
	rm -rf $(VENV) .venv-lock build dist *.egg-info out .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find bench tests -name __pycache__ -type d -prune -exec rm -rf {} +
