# Two commands do everything on a fresh machine: `make demo` and `make test`. Both set up what they need first.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
FLOORS := .venv-floors
SIZE   ?= 2k
QUICK  := $(addprefix tests/,style base indicators overlay uncertainty plan layers)
export PYTHONUTF8 = 1

.PHONY: help demo test quick lint format floors bench clean
.DEFAULT_GOAL := help

help:  ## say what there is
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## */\t/' | expand -t 10

$(VENV)/.made:
	$(PYTHON) -c 'import sys; assert sys.version_info >= (3, 11), "underoak needs Python 3.11 or newer"'
	$(PYTHON) -m venv $(VENV)
	touch $@

$(VENV)/.run: pyproject.toml $(VENV)/.made
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	touch $@

$(VENV)/.dev: pyproject.toml $(VENV)/.made
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev,cluster,hydro]'
	touch $@ $(VENV)/.run

demo: $(VENV)/.run  ## set up, rank forty parcels of the shipped region, write out/demo
	$(BIN)/underoak demo --out out/demo
	@echo 'The command is $(BIN)/underoak. To call it as `underoak` from any folder: pipx install .'

test: $(VENV)/.dev lint  ## set up, check style, types and structure, run all tests
	$(BIN)/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder

quick: $(VENV)/.dev  ## style, maths, plan and layer tests only, without the slow ones
	$(BIN)/python -m pytest -n 2 -m "not slow" $(QUICK)

lint: $(VENV)/.dev  ## style, types, and that imports run one way
	$(BIN)/ruff check pipeline tests benchmarks sample_rasters
	$(BIN)/ruff format --check pipeline tests benchmarks sample_rasters
	$(BIN)/mypy
	$(BIN)/lint-imports

format: $(VENV)/.dev  ## bring the code into its form
	$(BIN)/ruff check --fix pipeline tests benchmarks sample_rasters
	$(BIN)/ruff format pipeline tests benchmarks sample_rasters

$(FLOORS)/.made: pyproject.toml $(VENV)/.dev
	$(BIN)/uv venv --quiet --clear --python 3.11 $(FLOORS)
	$(BIN)/uv pip install --quiet --python $(FLOORS) --resolution lowest-direct --only-binary :all: \
		--requirement pyproject.toml --extra cluster --extra hydro
	$(BIN)/uv pip install --quiet --python $(FLOORS) --no-deps --editable .
	touch $@

floors: $(FLOORS)/.made  ## run the demo with the oldest libraries that pyproject.toml allows
	$(FLOORS)/bin/python -c 'import dask, distributed, pyflwdir, underoak.engine.workers.cluster'
	$(FLOORS)/bin/underoak --help >/dev/null
	$(FLOORS)/bin/underoak demo --progress none --out out/floors

bench: $(VENV)/.dev  ## time a run against general libraries and a bare copy; SIZE=2k|4k|8k|20k
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --requirement benchmarks/requirements.txt
	$(BIN)/python benchmarks/compare.py --size $(SIZE)

clean:  ## remove what make made, compiled kernels too
	find pipeline tests benchmarks -name __pycache__ -prune -exec rm -rf {} +
	rm -rf $(VENV) $(FLOORS) out build dist .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis
