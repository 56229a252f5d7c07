# Two commands do everything: make demo, make test.
PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
DEMO   ?= demo
READY  := $(VENV)/.ready

.PHONY: demo test check lint typecheck quick slow constraints clean

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
	rm -rf $(VENV) $(DEMO) .mypy_cache .ruff_cache .pytest_cache .coverage htmlcov
