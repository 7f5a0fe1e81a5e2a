# Two commands: `make demo` and `make test`. Both set up their own environment in .venv first.
# Another interpreter: make PYTHON=python3.13 demo

PYTHON ?= python3
VENV := .venv
PIP := $(VENV)/bin/python -m pip --disable-pip-version-check install --quiet
PACKAGE := --no-deps --no-build-isolation --editable .
WEB := src/tidebench/web
PAGE := $(filter-out %/schema.d.ts,$(wildcard $(WEB)/frontend/*.* $(WEB)/frontend/src/* $(WEB)/frontend/public/*))

.PHONY: demo test clean

demo: $(VENV)/.run
	$(VENV)/bin/tidebench demo --out demo-review

test: $(VENV)/.test
	scripts/check
	scripts/test

clean:
	rm -rf $(VENV) demo-review build dist $(WEB)/static $(WEB)/frontend/node_modules
	find src benchmarks -name __pycache__ -prune -exec rm -rf {} +

$(VENV)/.run: requirements.lock pyproject.toml $(PAGE) | $(VENV)/bin/python
	@echo "Setting up $(VENV); this takes a minute the first time."
	$(PIP) --requirement requirements.lock
	$(PIP) $(PACKAGE)
	@touch $@

# Tests of the page need a browser; where none can be installed, they say that they were skipped.
$(VENV)/.test: requirements-dev.lock $(VENV)/.run
	$(PIP) --requirement requirements-dev.lock
	@command -v chromium >/dev/null || apt-get install --yes --quiet chromium >/dev/null 2>&1 || true
	@touch $@

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || { \
	  echo "Tidebench needs Python 3.11 or newer, and $(PYTHON) is" \
	    "$$($(PYTHON) --version 2>/dev/null || echo missing)." \
	    "Name another one: make PYTHON=python3.13 demo" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV) || { rm -rf $(VENV); exit 1; }
