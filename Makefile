# The two that everyone needs: `make demo` and `make test`. Each does its own set-up in a virtual
# environment, on a machine that has only Python 3.11 or newer, git and make.
#
#   VENV=path    the virtual environment (default .venv)
#   PYTHON=name  the interpreter that makes it (default: the first of those below that is new enough)
#   ARGS=...     further arguments: for kerfbus demo, for pytest

VENV ?= .venv
ARGS ?=
BIN = $(VENV)/bin
RUN_STAMP = $(VENV)/.kerfbus-run
DEV_STAMP = $(VENV)/.kerfbus-dev
PIP = $(BIN)/python -m pip -qq --disable-pip-version-check

# Run, not only looked up: a version manager's shim may be on the path and still refuse.
FIND_PYTHON = for each in python3 python3.14 python3.13 python3.12 python3.11 python; do \
	$$each -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null \
	&& { echo $$each; exit 0; }; done
# Asked for only where an environment has to be made, hence not expanded at once.
PYTHON ?= $(shell $(FIND_PYTHON))

.PHONY: help demo test check bench captures plots diagnosis docs man fuzz soak picture setup clean

help:
	@echo "make demo    the tour: a simulated supply, read, written, recorded, decoded"
	@echo "make test    all tests"
	@echo "make check   all that CI checks: format, lint, types, import layers, tests"
	@echo "make bench   the benchmarks, as ratios against what they are compared with"
	@echo "make captures  the simulated captures again, byte for byte"
	@echo "make plots   the pictures of docs/line.md again, measured and drawn (minutes)"
	@echo "make picture  docs/console.svg again, the console on a simulated line"
	@echo "make diagnosis  docs/diagnosis.md again: how good kerfbus explain is"
	@echo "make docs    the pages of docs/ as a site in build/docs; a wrong link is an error"
	@echo "make man     a manual page for each command in build/man"
	@echo "make fuzz    every reader of files against a coverage-guided fuzzer (minutes)"
	@echo "make soak    an hour of hard use: ports lost, disks full, clocks stepped, supplies killed"
	@echo "make setup   only the virtual environment for contributors"
	@echo "make clean   remove the virtual environment and all that tools have made"

demo: $(RUN_STAMP)
	@$(BIN)/kerfbus demo $(ARGS)

test: $(DEV_STAMP)
	@VENV="$(VENV)" ./check tests -- $(ARGS)

check: $(DEV_STAMP)
	@VENV="$(VENV)" ./check

bench: $(DEV_STAMP)
	@set -e; for program in tests/benchmarks/bench_*.py; do \
		echo "== $$program"; $(BIN)/python "$$program"; done

captures: $(DEV_STAMP)
	@$(BIN)/python captures/make.py
	@cd captures && for each in *.pcapng; do ../$(BIN)/kerfbus decode "$$each" >"$${each%.pcapng}.txt"; done

plots: $(DEV_STAMP)
	@$(BIN)/python docs/plots.py

picture: $(DEV_STAMP)
	@$(BIN)/python docs/consolepicture.py

diagnosis: $(DEV_STAMP)
	@$(BIN)/python tests/benchmarks/measure_explain.py --page --each 2 --pairs 5 --start 7000 \
		--sources other-A,other-B,own-bits $(ARGS)

docs: $(DEV_STAMP)
	@$(BIN)/python -m sphinx -W --keep-going -q -b html docs build/docs $(ARGS)
	@echo "build/docs/index.html"

man: $(DEV_STAMP)
	@$(BIN)/python docs/man.py build/man

# atheris has no wheel for every system, hence it is no part of the development tools.
fuzz: $(DEV_STAMP)
	@$(BIN)/python -c 'import atheris' 2>/dev/null || $(PIP) install 'atheris>=3'
	@$(BIN)/python tests/fuzz/fuzz.py $(ARGS)

soak: $(DEV_STAMP)
	@$(BIN)/python tests/hard/harduse.py --seconds 3600 $(ARGS)

setup: $(DEV_STAMP)

$(RUN_STAMP): pyproject.toml
	@$(call make_venv)
	@echo "Installing kerfbus into $(VENV)"
	@$(PIP) install --editable .
	@touch $@

$(DEV_STAMP): pyproject.toml
	@$(call make_venv)
	@echo "Installing kerfbus and its development tools into $(VENV) (a minute or two)"
	@$(PIP) install --editable '.[dev]'
	@touch $(RUN_STAMP) $@

# An environment of a removed or too old interpreter is made anew.
define make_venv
if ! "$(BIN)/python" -c 'import sys, pip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then \
	found="$(PYTHON)"; \
	if [ -z "$$found" ]; then \
		echo "kerfbus needs Python 3.11 or newer; none was found. Name one: make PYTHON=..." >&2; \
		exit 1; \
	fi; \
	if ! "$$found" -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then \
		echo "kerfbus needs Python 3.11 or newer; $$found is older or missing." >&2; \
		exit 1; \
	fi; \
	echo "Making a virtual environment in $(VENV) with $$("$$found" --version)"; \
	if [ -e "$(VENV)/pyvenv.cfg" ]; then rm -rf "$(VENV)"; fi; \
	"$$found" -m venv "$(VENV)"; \
fi
endef

clean:
	if [ -e "$(VENV)/pyvenv.cfg" ]; then rm -rf "$(VENV)"; fi
	rm -rf .links build dist ./*.egg-info .mypy_cache .ruff_cache .pytest_cache \
		.hypothesis .import_linter_cache .benchmarks
	find bench sim tui tests -name __pycache__ -type d -prune -exec rm -rf {} +
