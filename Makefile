# Each of these sets itself up: a fresh machine needs Python 3.11+, git and make, no more.
.PHONY: run test lint bench clean firmware-size

VENV := .venv
BIN := $(VENV)/bin

run: $(VENV)/.installed
	$(BIN)/tackfree demo

test: $(VENV)/.installed-dev
	sh scripts/need-debian mosquitto=mosquitto mosquitto_pub=mosquitto-clients chromium=chromium pdftoppm=poppler-utils
	$(BIN)/python -m pytest

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(VENV)/.installed-dev
	sh scripts/need-debian mosquitto=mosquitto mosquitto_pub=mosquitto-clients
	$(BIN)/python -m benchmarks

firmware-size: $(VENV)/.installed-dev
	$(BIN)/python scripts/firmware_size.py

clean:
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis

$(VENV)/.installed: pyproject.toml scripts/make-venv
	sh scripts/make-venv $(VENV)
	$(BIN)/python -m pip install --quiet --editable .
	touch $@

$(VENV)/.installed-dev: $(VENV)/.installed
	$(BIN)/python -m pip install --quiet --editable '.[dev]'
	touch $@
