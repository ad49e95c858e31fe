# make demo   the demo aircraft, from a bare machine to templates and forming blocks
# make test   every test         make lint      style and types
# make bench  speed and accuracy make examples  every example
# make kernel KERNEL=name  surface.step read back by a geometry kernel of the registry (1.3 GB)
# make fuzz   1000 damaged files of every form, each read or refused in words
#
# Set-up is done once and remembered by stamp files in .venv; `make clean` forgets it.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PROTOTYPE ?=
RIVAL = $(if $(PROTOTYPE),$(abspath $(PROTOTYPE)))
export OMP_NUM_THREADS := 1
export PIP_DISABLE_PIP_VERSION_CHECK := 1

.PHONY: help demo test lint bench examples fuzz kernel clean
.DELETE_ON_ERROR:

help:
	@sed -n 's/^# \(make.*\)/\1/p' Makefile

$(VENV)/system: .ci/system
	@PYTHON=$(PYTHON) bash .ci/system
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or later is wanted; give another with make PYTHON=...")'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@touch $@

$(VENV)/program: $(VENV)/system pyproject.toml
	$(BIN)/python -m pip install --quiet --editable '.[all]'
	@touch $@

$(VENV)/tools: $(VENV)/program
	$(BIN)/python -m pip install --quiet --editable '.[dev]'
	@touch $@

demo: $(VENV)/program
	$(BIN)/loft demo demo --force
	$(BIN)/loft run demo
	@echo
	@echo "The job is in demo/, what came out in demo/out/: start with demo/out/F14/."
	@echo "The words and files are explained in README.md."

test: $(VENV)/tools
	$(BIN)/python -m pytest -n 2 -p no:benchmark

lint: $(VENV)/tools
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(VENV)/tools
	PROTOTYPE='$(RIVAL)' $(BIN)/python -m benchmarks
	PROTOTYPE='$(RIVAL)' $(BIN)/python benchmarks/arcs.py
	$(BIN)/python benchmarks/clouds.py
	$(BIN)/python benchmarks/scan_lift.py

examples: $(VENV)/program
	@set -e; for example in examples/*.py; do echo "== $$example"; $(BIN)/python "$$example"; done

fuzz: $(VENV)/tools
	$(BIN)/python tests/fuzz.py 1000

kernel: $(VENV)/program
	@test -n '$(KERNEL)' || { echo 'name the kernel: make kernel KERNEL=...; it must import as OCP'; exit 2; }
	PYTHONPATH=. $(BIN)/python benchmarks/step_kernel.py '$(KERNEL)'

clean:
	rm -rf $(VENV) demo build *.egg-info .pytest_cache .ruff_cache .mypy_cache .hypothesis
