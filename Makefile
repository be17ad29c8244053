# The verbs of the working loop; DEVELOPERS.md explains them.

PYTHON ?= python3
PORT ?= 8000
# Parallel test processes: each brings its own database and queue.
TEST_PROCESSES ?= 2
PYTEST_ARGS ?=

VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check --no-input --quiet
SOURCES := registry api frontend tests

.DEFAULT_GOAL := help
.PHONY: help demo test check fix bench screenshots messages lock clean

LOCK := --quiet --python-version 3.11 --universal --generate-hashes --no-emit-index-url --no-header

help:
	@echo "make demo         the demo trial in your browser (PORT=$(PORT))"
	@echo "make test         the whole test suite (PYTEST_ARGS= for more)"
	@echo "make check        format, lint, types, import contracts, migrations"
	@echo "make fix          format, and mend what the linter can mend"
	@echo "make bench        benchmarks and slow simulations"
	@echo "make screenshots  pictures of the running demo's pages, desktop and phone"
	@echo "make messages     collect the texts of the pages, compile their translations (needs gettext)"
	@echo "make lock         pin the dependencies of pyproject.toml again"
	@echo "make clean        remove what can be built again; var/ stays"

# --- environment --------------------------------------------------------------------------------

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Python 3.11 or later is needed; name one: make PYTHON=/path/to/python3.11" >&2; exit 1; }
	@$(PYTHON) -m venv $(VENV)

# Every file is checked against its hash in the lock; nothing else is fetched.
define install
	@echo "Installing from $(1) …"
	@$(PIP) install --require-hashes --requirement $(1)
	@$(PIP) install --no-deps --no-build-isolation --editable .
endef

$(VENV)/runtime.stamp: $(BIN)/python requirements.lock pyproject.toml
	$(call install,requirements.lock)
	@touch $@

$(VENV)/dev.stamp: $(BIN)/python requirements-dev.lock pyproject.toml
	$(call install,requirements-dev.lock)
	@touch $@ $(VENV)/runtime.stamp

# --- verbs --------------------------------------------------------------------------------------

demo: export BASE_URL ?= http://127.0.0.1:$(PORT)
demo: $(VENV)/runtime.stamp
	@$(BIN)/coheap migrate --verbosity 0 --skip-checks
	@$(BIN)/coheap load_demo --skip-checks
	@exec $(BIN)/coheap serve --port $(PORT)

test: $(VENV)/dev.stamp
	@$(BIN)/pytest --numprocesses $(TEST_PROCESSES) --dist loadfile $(PYTEST_ARGS)

# Reports every failure before it fails.
check: $(VENV)/dev.stamp
	@failed=; \
	run() { echo "· $$*"; "$$@" || failed="$$failed $${1##*/}"; }; \
	run $(BIN)/ruff format --check --quiet .; \
	run $(BIN)/ruff check --quiet .; \
	run $(BIN)/mypy $(filter-out tests,$(SOURCES)); \
	run $(BIN)/lint-imports; \
	run $(BIN)/coheap makemigrations --check --dry-run; \
	run env BASE_URL=https://trials.example.org SECRET_KEY="$$(printf 'only-for-this-check-%.0s' 1 2 3)" \
		$(BIN)/coheap check --deploy --fail-level WARNING; \
	if [ -n "$$failed" ]; then echo "Failed:$$failed" >&2; exit 1; fi

fix: $(VENV)/dev.stamp
	@$(BIN)/ruff check --fix --quiet . || true
	@$(BIN)/ruff format .

bench: export OMP_NUM_THREADS = 1
bench: export OPENBLAS_NUM_THREADS = 1
bench: $(VENV)/dev.stamp
	@for script in tests/bench/bench_*.py; do \
		echo "=== $$script"; $(BIN)/python -m "$$(echo $${script%.py} | tr / .)" || failed=1; \
	done; $(BIN)/pytest -m slow --capture=no $(PYTEST_ARGS) && [ -z "$$failed" ]

# Of a running `make demo`, which keeps the coordinator's password under var/.
screenshots: $(VENV)/dev.stamp
	@COHEAP_EMAIL=coordinator@demo.example \
	COHEAP_PASSWORD="$$($(BIN)/python -c 'import json; print(json.load(open("var/demo/keys.json"))["password"])')" \
		$(BIN)/python tests/browser/screenshots.py http://127.0.0.1:$(PORT) var/screenshots
	@echo "See var/screenshots."

# The compiled catalogue is kept in the tree, so that nothing but this verb needs gettext.
messages: $(VENV)/dev.stamp
	@$(BIN)/coheap makemessages --locale de --add-location file --no-obsolete \
		--ignore '.venv' --ignore 'var*' --ignore 'tests' --ignore 'build' --verbosity 0
	@$(BIN)/coheap compilemessages --locale de --ignore '.venv' --verbosity 0

# uv resolves for every platform at once; pip installs what it wrote.
lock: $(BIN)/python
	@$(PIP) install uv
	@$(BIN)/uv pip compile pyproject.toml --extra build $(LOCK) --output-file requirements.lock
	@$(BIN)/uv pip compile pyproject.toml --extra build --extra dev $(LOCK) --output-file requirements-dev.lock

clean:
	@rm -rf $(VENV) build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis var/test
	@find . -name __pycache__ -type d -prune -exec rm -rf {} +
