PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
WEB := src/sumpwright/web
GATHERED := $(WEB)/static/vendor/.gathered

.PHONY: demo demo-stop test lint types contracts bench docs lock clean frontend system-packages

demo: $(STAMP) frontend
	$(BIN)/python -m sumpwright.demo --serve

demo-stop: $(STAMP)
	$(BIN)/python -m sumpwright.demo --stop

test: $(STAMP) frontend system-packages
	$(BIN)/python -m pytest -q -n 2 --dist worksteal

lint: $(STAMP)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .

types: $(STAMP)
	$(BIN)/mypy

contracts: $(STAMP)
	$(BIN)/lint-imports

bench: $(STAMP)
	$(BIN)/python -m bench

docs: $(STAMP)
	$(BIN)/sphinx-build -q -W -b html docs docs/_build/html

lock: $(STAMP)
	$(BIN)/pip-compile -q --generate-hashes --allow-unsafe --strip-extras --no-emit-index-url \
	  --no-emit-find-links --no-emit-trusted-host --extra dev -o requirements/dev.txt pyproject.toml

# The pages work without these packages, so a machine that cannot fetch them goes on.
frontend: $(STAMP)
	-@test $(GATHERED) -nt $(WEB)/frontend/package-lock.json || { \
	  $(BIN)/python -m sumpwright.web.frontend.gather requirements/node.txt && touch $(GATHERED); }

system-packages:
	./.ci/system-packages

$(STAMP): requirements/dev.txt pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/dev.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $(STAMP)

clean:
	rm -rf $(VENV) docs/_build demo-yard .mypy_cache .ruff_cache .pytest_cache .hypothesis
