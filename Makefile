# Everything a newcomer or a build machine runs. The first use of a target makes .venv.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.ready

.PHONY: demo test check format speed soak tables clean

$(STAMP): pyproject.toml constraints.txt
	@$(PYTHON) -c "import sys; sys.exit(sys.version_info < (3, 11))" || { echo "Mendproof needs Python 3.11 or newer; this is $$($(PYTHON) --version). Try: make PYTHON=python3.11 ..." >&2; exit 2; }
	@$(PYTHON) -c "import venv, ensurepip" 2>/dev/null || { echo "This Python has no venv module. Install it (on Debian: apt install python3-venv) and run make again." >&2; exit 2; }
	@echo "First use: making $(VENV) and installing into it. This takes a minute or so."
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[dev]'
	@touch $(STAMP)

demo: $(STAMP)
	$(BIN)/mendproof demo

# Each of the many processes would compile the sources anew where the environment forbids to keep byte code.
test: $(STAMP)
	PYTHONDONTWRITEBYTECODE= $(BIN)/python -m pytest -q -n 7 --dist loadgroup

check: $(STAMP)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/coverage run -m pytest -q
	$(BIN)/coverage report --include='decoders/*,sessions/*' --fail-under=100
	$(BIN)/coverage report --include='gateway/*,simulators/*'

format: $(STAMP)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

speed: $(STAMP)
	$(BIN)/python tests/speed.py

# The pages of docs/ that are made from the code; a test says when they are out of date.
tables: $(STAMP)
	$(BIN)/python tests/services_table.py

# Long runs: a bench started and closed a thousand times, random bytes for every decoder, many random workshops
# against the bench's truth.
soak: $(STAMP)
	MENDPROOF_BENCH_CYCLES=1000 $(BIN)/python -m pytest -q --timeout 300 tests/test_bench_leaks.py
	MENDPROOF_FUZZ=100000 $(BIN)/python -m pytest -q --timeout 300 -k "random or any_bytes" tests/test_decoders_vectors.py tests/test_decoders_obd_fuzz.py tests/test_decoders_explain*.py
	MENDPROOF_TRUTH_STORIES=400 $(BIN)/python -m pytest -q tests/test_truth.py

clean:
	rm -rf $(VENV) dist .mypy_cache .ruff_cache .import_linter_cache .pytest_cache .hypothesis .coverage mendproof-demo
