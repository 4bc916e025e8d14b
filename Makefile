# Shortcuts for machines with make; README.md gives the same steps as plain lines.
PYTHON ?= python3
VENV := .venv
BENCHMARKS := tests/benchmarks tests/browser
READY := $(VENV)/.ready
# One process more than there are cores: about a third of the time, a test waits for a browser or a program it started.
WORKERS := $(shell $(PYTHON) -c "import os; print((os.cpu_count() or 1) + 1)")
export OMP_NUM_THREADS := 1
export OPENBLAS_NUM_THREADS := 1
# Tests start many programs: each would compile every module again where an environment forbids keeping bytecode.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo open test lint clean

demo: $(READY)
	$(VENV)/bin/riskmap new layers/example --into outputs/from_files --replace
	$(VENV)/bin/riskmap demo

open: $(READY)
	$(VENV)/bin/riskmap open outputs/areas

test: $(READY)
	$(VENV)/bin/python -m pytest -n $(WORKERS) --dist worksteal -m "not benchmark" --durations=10
	$(VENV)/bin/python -m pytest -m benchmark -s $(BENCHMARKS)

lint: $(READY)
	$(VENV)/bin/ruff check riskmap tests layers notebooks
	$(VENV)/bin/mypy
	$(VENV)/bin/oxlint --deny-warnings riskmap

$(READY): pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(VENV)/bin/pip install --quiet --disable-pip-version-check -c constraints.txt -e ".[dev]"
	touch $(READY)

clean:
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .hypothesis
