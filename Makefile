# A thin front. Needs python3 (>= 3.11) with venv, and make; everything else comes from the lock.
SHELL := /bin/bash
UV := .tools/bin/uv
export UV_PYTHON_DOWNLOADS := never
RUN := $(UV) run --locked --extra demo
ARGS ?=

.PHONY: demo test check bench soak agree fuzz chaos mutants clean

demo: $(UV)            ## demo collectors live: readings, alarm, delivered notification (ARGS="--for 120")
	@$(RUN) --no-dev dustcake demo $(ARGS)

test: $(UV)            ## the whole test suite
	@$(RUN) pytest -n auto --dist worksteal --cov --cov-report=term $(if $(ARGS),,--cov-fail-under=100) $(ARGS)

check: $(UV)           ## lint, format, types, import contracts
	@$(RUN) ruff check .
	@$(RUN) ruff format --check .
	@$(RUN) mypy
	@$(RUN) lint-imports

bench: $(UV)           ## speed as ratios, measured in one run on this machine
	@$(RUN) python -m tests.bench $(ARGS)

soak: $(UV)            ## the service killed between all its steps, in worlds from seeds, for as long as asked (FOR=600 SEED=0)
	@$(RUN) python -m tests.simulation --seeds 10000000 --for $(or $(FOR),600) --seed $(or $(SEED),0) --processes $$(nproc) $(ARGS)

agree: $(UV)           ## do all evaluators agree, over very many histories from seeds? (EXAMPLES=1000000 SEED=0)
	@$(RUN) python -m tests.property.soak --histories $(or $(EXAMPLES),1000000) --seed $(or $(SEED),0) --processes $$(nproc) $(ARGS)

fuzz: $(UV)            ## hostile input to every decoder, led by coverage, for as long as asked (FOR=600 SEED=1)
	@$(RUN) --group fuzz python -m tests.fuzz.guided --seconds $(or $(FOR),600) --seed $(or $(SEED),1) $(ARGS)

chaos: $(UV)           ## kills, full disks, power cuts, torn writes with real parts, a few of each (ARGS="-k kills")
	@$(RUN) pytest -m chaos tests/chaos $(ARGS)

mutants: $(UV)         ## is each line of the alarm decision held by a test? the survivors are in docs/mutants.md
	@rm -rf mutants
	@DUSTCAKE_EXAMPLES=60 $(RUN) mutmut run $(ARGS)
	@$(RUN) mutmut results | grep -v killed || true

$(UV):
	@python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "python3 >= 3.11 is needed, found $$(python3 --version)"; exit 1; }
	@echo "making the tool environment in .tools (once)"
	@python3 -m venv .tools
	@.tools/bin/python -m pip install --quiet --disable-pip-version-check uv==0.13.9

clean:                 ## remove environments, caches and the demo's folder
	rm -rf .tools .venv .demo mutants .mypy_cache .ruff_cache .import_linter_cache .hypothesis
