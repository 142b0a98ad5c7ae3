# Two commands do everything on a fresh Debian 12: `make demo` and `make test`. Each target says what it does;
# every set-up step lives in scripts/.

SHELL := /bin/bash
CARGO ?= cargo
export WHISPER_DONT_GENERATE_BINDINGS = 1
# A build tree of one's own (CI, a second checkout) may be named.
CARGO_TARGET_DIR ?= $(CURDIR)/target
export CARGO_TARGET_DIR
BIN := $(CARGO_TARGET_DIR)/release/thirdhand

.PHONY: help demo test quick model build samples bench eval tune soak setup-demo setup-test clean

help:            ## show this list
	@sed -n 's/^\([a-z-]*\):.*## \(.*\)/  make \1\t\2/p' $(MAKEFILE_LIST) | expand -t 20

demo: setup-demo build model  ## play the sample call through the whole program, show the timeline
	@scripts/demo.sh "$(BIN)"

test: setup-test build model  ## every test: fast ones, real model, sound, voice, pages
	@scripts/test.sh "$(BIN)"

quick:           ## only the tests that need no model, sound or network (seconds)
	$(CARGO) test --no-default-features

build:           ## build the release program
	@scripts/progress.sh "building thirdhand (release; a few minutes the first time)" $(CARGO) build --release --locked

model: build     ## fetch, verify and convert the recogniser's weights (once)
	@scripts/model.sh "$(BIN)"

samples:         ## make the sample calls' WAV files anew from their scripts (needs flite)
	@/usr/bin/python3 scripts/make-samples.py samples/*.call

bench: setup-test build model ## speed, as ratios measured beside what it is compared with
	@scripts/bench.sh "$(BIN)"

eval: setup-test build model  ## how well it hears, by voice and noise
	@scripts/eval.sh "$(BIN)"

tune: build model ## train the recogniser on crew talk anew (hours; see models/README.md)
	@scripts/tune.sh

soak: setup-test build model ## the long versions of the crash tests; ten minutes through the sound server
	@scripts/soak.sh "$(BIN)"

setup-demo:
	@scripts/setup.sh demo

setup-test:
	@scripts/setup.sh test

clean:
	$(CARGO) clean
