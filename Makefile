# Two commands do everything: make demo, make test.
PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
DEMO   ?= demo
READY  := $(VENV)/.ready

.PHONY: demo test check lint typecheck quick slow faults audit-libraries bench trust constraints clean

# A demo practice from nothing: synthetic records, validated intake, figures, audit report.
demo: $(READY)
	$(BIN)/graftledger demo $(DEMO)

# Everything that must hold: style, types, tests with coverage, then the slow ones, which counting lines would slow more.
test: lint typecheck
	$(BIN)/pytest -n auto -m "not slow" --cov --cov-report=term
	$(BIN)/pytest -n auto -m slow

check: lint typecheck quick

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

typecheck: $(READY)
	$(BIN)/mypy

# Tests without the slow simulations: for use while working.
quick: $(READY)
	$(BIN)/pytest -n auto -m "not slow"

slow: $(READY)
	$(BIN)/pytest -n auto -m slow

# Every kill, flipped bit and mangled file (some 200, 400 and 20,000); `make test` makes a part of them.
faults: $(READY)
	$(BIN)/pytest -n auto tests/faults --full-faults

# Known weaknesses of the pinned libraries, and whether those installed fit together. It asks the package index, and fails
# where one library cannot be looked up: no answer is no clean bill. pip-audit has an environment of its own.
audit-libraries: $(READY)
	$(BIN)/python -m pip check
	test -x $(VENV)/audit/bin/pip-audit || ($(PYTHON) -m venv $(VENV)/audit && \
	  $(VENV)/audit/bin/python -m pip install --quiet --disable-pip-version-check 'pip-audit>=2.9')
	$(VENV)/audit/bin/pip-audit --strict --no-deps --disable-pip --requirement constraints.txt

# Seconds, memory and bytes at 10 and 100 thousand patients, and a million: docs/benchmarks.json and .md.
bench: $(READY)
	$(BIN)/python benchmarks/suite.py

# Bias and coverage of headline figures over many registries with a known truth: docs/trust.md.
trust: $(READY)
	$(BIN)/python benchmarks/trust.py

# The environment, with the versions pinned in constraints.txt.
$(READY): pyproject.toml constraints.txt
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "graftledger needs Python 3.11 or newer")'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[dev]'
	touch $(READY)

# Pin anew after a change of dependencies (uv is used here only).
constraints: $(READY)
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --all-extras --no-header --no-annotate \
	  --upgrade pyproject.toml --output-file constraints.txt

clean:
	rm -rf $(VENV) $(VENV)/audit $(DEMO) .mypy_cache .ruff_cache .pytest_cache .coverage htmlcov
