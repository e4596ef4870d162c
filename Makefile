# make demo         the main job on an embedded broker and a simulated fleet; make demo ONCE=1 prints it and exits
# make test         installs what the tests need (Debian packages where it may), then runs checks and all tests
# make check        ruff and mypy;  make bench: the benchmarks, as ratios
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
ONCE ?=
PORT ?= 8050

.PHONY: demo test check bench debian

demo: $(VENV)/.installed
	$(BIN)/joulebook demo --port $(PORT) $(if $(ONCE),--once)

# A file of tests at a time on each of two cores: two thirds of the time of one.
test: $(VENV)/.installed-test debian check
	$(BIN)/python -m pytest -n 2 --dist loadfile

check: $(VENV)/.installed-test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(VENV)/.installed-test debian
	$(BIN)/python -m pytest -q -s tests/benchmarks -o python_files='bench_*.py'

$(VENV)/.made:
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed: make PYTHON=python3.11")'
	$(PYTHON) -m venv $(VENV)
	touch $@

$(VENV)/.installed: $(VENV)/.made pyproject.toml
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e .
	@echo "compiling the analysis, once"
	$(BIN)/python -c 'import joulebook; joulebook.compile_kernels()'
	touch $@

$(VENV)/.installed-test: $(VENV)/.made pyproject.toml
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[test]'
	touch $(VENV)/.installed $@

# A broker and a browser for the tests marked `server` and `browser`.
debian:
	@if command -v mosquitto >/dev/null && command -v mosquitto_pub >/dev/null && command -v chromium >/dev/null \
	    && command -v chromedriver >/dev/null; then :; \
	elif command -v apt-get >/dev/null && [ "$$(id -u)" = 0 ]; then \
	    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
	        mosquitto mosquitto-clients chromium chromium-driver >/dev/null; \
	else echo "mosquitto, chromium or chromedriver is missing and cannot be installed here (needs apt and root)"; exit 1; fi
