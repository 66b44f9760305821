# Everything runs from .venv, built from the hash-pinned lock file; nothing is installed outside this folder.
PYTHON ?= python3
BIN := .venv/bin
READY := .venv/.ready

.PHONY: demo test check lint types layers wheel-test bench prove measured score lock demo-data clean

$(READY): requirements.lock pyproject.toml
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $(READY)

demo: $(READY)          ## the main job on the demo fleet
	$(BIN)/liftledger demo --out demo-out

test: $(READY)          ## all tests, in this checkout
	$(BIN)/python -m pytest -n 2

check: lint types layers test wheel-test   ## what CI runs

lint: $(READY)
	$(BIN)/ruff check .

types: $(READY)
	$(BIN)/mypy

layers: $(READY)
	$(BIN)/lint-imports

wheel-test: $(READY)    ## the tests again, against the built wheel in an environment of its own
	.ci/wheel-test $(BIN)/python

bench: $(READY)         ## speeds, as ratios against named references in the same run
	$(BIN)/python -m tests.benchmarks

prove: $(READY)         ## scores of the diagnosis on proving plants (long)
	$(BIN)/python -m pipelines.prove

measured: $(READY)      ## what comes out on measured data, beside the known truth
	$(BIN)/python -m pipelines.measured_report

score: $(READY)         ## confusion table and expectation error on the demo fleet
	$(BIN)/liftledger score --out demo-out

demo-data: $(READY)     ## make the demo fleet again, bit for bit
	$(BIN)/python sample-logs/make_demo.py

lock: $(READY)          ## pin every dependency by hash
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/python -m uv pip compile pyproject.toml --all-extras --universal --python-version 3.11 --generate-hashes \
	    --no-header --no-annotate --no-emit-index-url --no-emit-find-links --output-file requirements.lock --upgrade

clean:
	rm -rf .venv build dist *.egg-info demo-out
