# Needs Python >= 3.11, pip and make; everything else goes into .venv.
#   make demo    run everything on the invented sample logs, into demo-out/
#   make test    run the tests
# Another interpreter: make test PYTHON=python3.12

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check
OUT ?= demo-out
WORKERS ?= 2
PYTEST_ARGS ?=
MUTATE_ARGS ?=

.DEFAULT_GOAL := help
.PHONY: help demo test test-outside test-slow test-interpreted lint types layers bench bench-smoke mutate docs docs-commands doctest check clean

help:  ## list the targets
	@sed -n 's/^\([a-z-]*\):.*## /  \1: /p' $(MAKEFILE_LIST)

$(VENV)/.made:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "swathledger needs Python 3.11 or later; '$(PYTHON)' is older or missing. Say which: make ... PYTHON=python3.12"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	@touch $@

# One stamp for each set of extras: installed once, again when the project's own needs change.
$(VENV)/.demo: $(VENV)/.made pyproject.toml .ci/constraints.txt
	$(PIP) install --quiet -c .ci/constraints.txt -e .
	@touch $@

$(VENV)/.test: $(VENV)/.made pyproject.toml .ci/constraints.txt
	$(PIP) install --quiet -c .ci/constraints.txt -e ".[test,pdf]"
	@touch $@ $(VENV)/.demo

$(VENV)/.lint: $(VENV)/.test
	$(PIP) install --quiet -c .ci/constraints.txt -e ".[test,pdf,lint]"
	@touch $@

$(VENV)/.docs: $(VENV)/.test
	$(PIP) install --quiet -c .ci/constraints.txt -e ".[test,pdf,docs]"
	@touch $@

demo: $(VENV)/.demo  ## run everything on the sample logs, into demo-out/ (an earlier demo there is replaced)
	$(BIN)/swathledger demo --out $(OUT) --overwrite

test: $(VENV)/.test  ## run the tests but the slow ones; those that need a browser or the PDF libraries skip where these are missing
	$(BIN)/python -m pytest -n $(WORKERS) -rs -m "not slow" $(PYTEST_ARGS)
	@echo "Left out: tests marked slow (whole bands of simulated fields, long kill tests). make test-slow runs them."

test-outside: $(VENV)/.test  ## run the tests that need a browser or the PDF libraries, and those alone
	$(BIN)/python -m pytest -n $(WORKERS) -rs -m "not slow and (browser or pdf)" $(PYTEST_ARGS)

test-slow: $(VENV)/.test  ## run the slow tests: half an hour and more
	$(BIN)/python -m pytest -n $(WORKERS) -rs -m slow $(PYTEST_ARGS)

test-interpreted: $(VENV)/.test  ## run the kernels' small cases without compiling them
	NUMBA_DISABLE_JIT=1 $(BIN)/python -m pytest -rs -m "not slow and not browser" tests/grid $(PYTEST_ARGS)

lint: $(VENV)/.lint  ## style and layout
	$(BIN)/ruff check
	$(BIN)/ruff format --check

types: $(VENV)/.lint  ## types, strict
	$(BIN)/mypy

layers: $(VENV)/.lint  ## which stage may import which
	$(BIN)/lint-imports

bench: $(VENV)/.test  ## benchmarks, apart from the tests
	$(BIN)/python -m pytest tests/benchmarks --benchmark-only -p no:xdist $(PYTEST_ARGS)

bench-smoke: $(VENV)/.test  ## show that the kernels' benchmarks run, on a hundredth of the ground; measures nothing
	BENCH_SCALE=0.01 $(BIN)/python -m pytest -q tests/benchmarks/test_kernel.py tests/benchmarks/test_replay.py --benchmark-disable -p no:xdist

$(VENV)/.mutate: $(VENV)/.test
	$(PIP) install --quiet -c .ci/constraints.txt -e ".[test,pdf,mutate]"
	@touch $@

mutate: $(VENV)/.mutate  ## how many small mutations the tests notice, on a sample of each package: half an hour
	$(BIN)/python tests/mutation/run.py $(MUTATE_ARGS)

docs-commands: $(VENV)/.test  ## write docs/commands.md anew from --help, and the tables of docs/machine.md
	$(BIN)/python docs/generate_commands.py
	$(BIN)/python docs/generate_machine.py

docs: $(VENV)/.docs  ## the documentation, into docs/_build/html
	$(BIN)/python -m sphinx -W --keep-going -q -b html docs docs/_build/html

doctest: $(VENV)/.test  ## the examples in the docstrings
	$(BIN)/python -m pytest -q --doctest-modules coverage cli

check: test lint types layers  ## what CI runs

clean:  ## remove what make made, .venv included
	rm -rf $(VENV) demo-out docs/_build dist build .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .benchmarks .hypothesis
	find coverage cli tests docs -name __pycache__ -type d -prune -exec rm -rf {} +
