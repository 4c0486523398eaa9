# reedproof: everything a user or developer types. `make help` is made from the comments behind ##.

SHELL := /bin/bash
.DEFAULT_GOAL := help
.DELETE_ON_ERROR:

VENV := .venv
PYTHON := $(VENV)/bin/python
BUILD := build

C_SOURCES := $(wildcard firmware/core/*.c)
HOST_C_SOURCES := host/reedproof/sim/bulk.c host/reedproof/sim/sweep.c host/reedproof/analysis/align.c
C_FILES := $(shell find firmware host/reedproof/sim host/reedproof/analysis tests benchmarks -name '*.[ch]' -not -name '_*.c')
CORE_INPUTS := $(wildcard firmware/core/*.[ch] host/reedproof/sim/*.[ch]) host/reedproof/sim/core_build.py
ALIGN_INPUTS := $(wildcard host/reedproof/analysis/align.[ch]) host/reedproof/analysis/align_build.py

# ---- firmware: the same sources, flags and macros as platformio.ini, which a test compares ----

AVR_BOARDS := nano uno mega
AVR_MCU_nano := atmega328p
AVR_MCU_uno := atmega328p
AVR_MCU_mega := atmega2560
AVR_MACROS_nano := -DREEDPROOF_BOARD=1 -DREEDPROOF_INPUTS=16 -DREEDPROOF_RING=64
AVR_MACROS_uno := -DREEDPROOF_BOARD=2 -DREEDPROOF_INPUTS=16 -DREEDPROOF_RING=64
AVR_MACROS_mega := -DREEDPROOF_BOARD=3 -DREEDPROOF_INPUTS=32 -DREEDPROOF_RING=128

WARNINGS := -Wall -Wextra -Wconversion -Wshadow -Werror
# Size is the scarce thing on the ATmega328P; what each flag behind -flto buys is in DEVELOPERS.md.
AVR_FLAGS := -std=gnu11 -Os -flto -fshort-enums -ffunction-sections -fdata-sections \
  -mcall-prologues -mstrict-X -fno-gcse -fno-tree-switch-conversion -fno-partial-inlining --param=max-inline-insns-single=4 \
  $(WARNINGS) -Wl,--gc-sections -Wl,--relax
AVR_SOURCES := firmware/main.c $(C_SOURCES) $(wildcard firmware/boards/avr/*.[cS])

PICO_FLAGS := -mcpu=cortex-m0plus -mthumb -std=gnu11 -Os -fshort-enums -ffunction-sections -fdata-sections \
  $(WARNINGS) -nostartfiles -Wl,--gc-sections -Tfirmware/boards/rp2040/rp2040.ld
PICO_MACROS := -DREEDPROOF_BOARD=4 -DREEDPROOF_INPUTS=32 -DREEDPROOF_RING=128
PICO_SOURCES := firmware/main.c $(C_SOURCES) $(wildcard firmware/boards/rp2040/*.[cS])

# What the build id is made from: an image is made anew when it would name another one.
FIRMWARE_FILES := $(shell find firmware -name '*.[chS]' -o -name '*.ld') firmware/build_id.py

.PHONY: help setup demo test check firmware images screens sizes bench soak accuracy calibration mutants fuzz fuzz-corpus \
  proofs format lint types warnings cppcheck clean

help: ## this list
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

setup: $(VENV)/.ready ## virtual environment in .venv with the reedproof command, and the compiled core

demo: setup ## prove a virtual board: no hardware needed
	$(VENV)/bin/reedproof demo

test: $(VENV)/.ready-dev | avr-packages ## every test, with all set-up it needs
	@$(MAKE) --no-print-directory firmware
	$(PYTHON) -m pytest -n 2 tests

check: $(VENV)/.ready-dev | avr-packages ## formatting, lint, types, C warnings, cppcheck, layers
	@$(MAKE) --no-print-directory format-check lint types warnings cppcheck
	$(PYTHON) -m pytest -q tests/test_repo.py
	@echo "check: all good"

firmware: $(AVR_BOARDS:%=$(BUILD)/%.hex) $(BUILD)/pico.uf2 sizes ## images of all boards in build/, and their sizes

images: firmware ## copies the images into the package, so that users can flash without a compiler
	$(PYTHON) tools/images.py

screens: setup ## puts what the program prints into README.md
	$(PYTHON) tools/screens.py

bench: $(VENV)/.ready-dev | avr-packages ## what is fast and how fast, as ratios measured in one run
	@$(MAKE) --no-print-directory firmware
	$(PYTHON) -m benchmarks

soak: $(VENV)/.ready-dev ## kills the host 200 times at random on a real line: the store must equal the board
	REEDPROOF_KILLS=200 $(PYTHON) -m pytest -q -s tests/endurance/test_kill.py

accuracy: $(VENV)/.ready-dev ## how often the accounting, and a diagnosis, are right, over hundreds of simulated runs
	PYTHONPATH=tests $(PYTHON) tests/accuracy/campaign.py && PYTHONPATH=tests $(PYTHON) tests/accuracy/bounds.py
	PYTHONPATH=tests $(PYTHON) tests/accuracy/diagnosis.py

calibration: $(VENV)/.ready-dev ## how often clear clues of a diagnosis are right: prints the table of calibration.py
	PYTHONPATH=tests $(PYTHON) tests/accuracy/calibrate.py

format: $(VENV)/.ready-dev ## formats all sources
	$(VENV)/bin/clang-format -i $(C_FILES)
	$(VENV)/bin/ruff format .
	$(VENV)/bin/ruff check --fix .

mutants: $(VENV)/.ready-dev ## every small change of debounce and fault has to fail a test
	$(PYTHON) tests/mutation/run.py

FUZZERS := frame device
FUZZ_RUNS_frame := 300000
FUZZ_RUNS_device := 30000
# The time is a safety; the number of runs is what is fixed. A small ring is full sooner.
FUZZ_OPTIONS := -seed=1 -max_len=512 -max_total_time=180 -artifact_prefix=$(BUILD)/fuzz/
FUZZ_FLAGS := -std=c11 -pedantic -g -O2 $(WARNINGS) -fsanitize=fuzzer,address,undefined \
  -fno-sanitize-recover=all -DREEDPROOF_RING=12 -Ifirmware/core -Itests/fuzz

fuzz: $(FUZZERS:%=fuzz-%) ## random bytes and calls at the frame decoder and the whole board

proofs: | proofs-packages ## the core has no run-time errors, proved with Frama-C
	why3 config detect >/dev/null
	python3 tools/proofs.py

fuzz-corpus: $(VENV)/.ready-dev $(FUZZERS:%=$(BUILD)/fuzz/%) ## finds anew the inputs that the fuzzers begin with
	rm -rf tests/fuzz/corpus $(BUILD)/fuzz/seeds
	$(PYTHON) tests/fuzz/seeds.py $(BUILD)/fuzz/seeds
	for name in $(FUZZERS); do \
	  found=$(BUILD)/fuzz/found-$$name; kept=tests/fuzz/corpus/$$name; mkdir -p $$found $$kept; \
	  $(BUILD)/fuzz/$$name $(FUZZ_OPTIONS) -runs=$(FUZZ_RUNS_device) $$found $(BUILD)/fuzz/seeds/$$name || exit 1; \
	  $(BUILD)/fuzz/$$name -merge=1 $$kept $(BUILD)/fuzz/seeds/$$name || exit 1; \
	  $(BUILD)/fuzz/$$name -use_counters=0 -merge=1 $$kept $$found || exit 1; done

clean: ## removes what was built, but not .venv
	rm -rf $(BUILD) host/reedproof/sim/_core.* host/reedproof/analysis/_align.* host/build host/*.egg-info

# ---- parts of check ----

.PHONY: format-check
format-check: $(VENV)/.ready-dev
	$(VENV)/bin/clang-format --dry-run -Werror $(C_FILES)
	$(VENV)/bin/ruff format --check .

lint: $(VENV)/.ready-dev
	$(VENV)/bin/ruff check .

types: $(VENV)/.ready-dev
	$(VENV)/bin/mypy

# The portable core for the host, stricter than the boards' compiler can be.
warnings:
	@mkdir -p $(BUILD)/warnings
	for source in $(C_SOURCES) $(HOST_C_SOURCES); do \
	  $(CC) -std=c11 -pedantic -O2 $(WARNINGS) -Wcast-align -Wstrict-prototypes -Wundef -Wswitch-enum \
	    -Ifirmware/core -c $$source -o $(BUILD)/warnings/$$(basename $$source).o || exit 1; done

cppcheck: | avr-packages
	cppcheck --quiet --error-exitcode=1 --std=c11 --enable=warning,style,performance,portability \
	  --inline-suppr --suppress=missingIncludeSystem --suppress=unusedStructMember \
	  -Ifirmware/core firmware/core firmware/main.c $(HOST_C_SOURCES)

# ---- parts of fuzz ----

fuzz-%: $(BUILD)/fuzz/%
	@rm -rf $(BUILD)/fuzz/found-$* && mkdir $(BUILD)/fuzz/found-$*
	@$< $(FUZZ_OPTIONS) -runs=$(FUZZ_RUNS_$*) $(BUILD)/fuzz/found-$* tests/fuzz/corpus/$* >$<.log 2>&1 \
	  || { tail -n 40 $<.log; echo "replay: $< FILE, with the file named above"; exit 1; }
	@echo "fuzz $*: $$(tail -n 1 $<.log)"

$(BUILD)/fuzz/%: tests/fuzz/fuzz_%.c tests/fuzz/reference.c tests/fuzz/reference.h $(wildcard firmware/core/*.[ch]) | fuzz-packages
	@mkdir -p $(@D)
	clang $(FUZZ_FLAGS) $(filter %.c,$^) -o $@

# ---- set-up ----

$(VENV)/bin/python:
	tools/packages.sh python
	python3 -m venv $(VENV)

$(VENV)/.ready: $(VENV)/bin/python pyproject.toml setup.py $(CORE_INPUTS) $(ALIGN_INPUTS)
	$(PYTHON) -m pip install --quiet --disable-pip-version-check -e .
	@touch $@

$(VENV)/.ready-dev: $(VENV)/.ready
	$(PYTHON) -m pip install --quiet --disable-pip-version-check -e '.[dev]'
	@touch $@

.PHONY: avr-packages pico-packages fuzz-packages proofs-packages
avr-packages:
	@tools/packages.sh avr
pico-packages:
	@tools/packages.sh pico
fuzz-packages:
	@tools/packages.sh fuzz
proofs-packages:
	@tools/packages.sh proofs

# ---- firmware rules ----

$(BUILD)/%.elf: $(AVR_SOURCES) $(FIRMWARE_FILES) Makefile | avr-packages
	@mkdir -p $(BUILD)
	avr-gcc -mmcu=$(AVR_MCU_$*) -DF_CPU=16000000UL $(AVR_MACROS_$*) $$(python3 firmware/build_id.py) \
	  $(AVR_FLAGS) $(AVR_SOURCES) -o $@

$(BUILD)/%.hex: $(BUILD)/%.elf
	avr-objcopy -O ihex -R .eeprom $< $@

.PRECIOUS: $(BUILD)/%.elf

$(BUILD)/pico.elf: $(PICO_SOURCES) $(FIRMWARE_FILES) Makefile | pico-packages
	@mkdir -p $(BUILD)
	arm-none-eabi-gcc $(PICO_MACROS) $$(python3 firmware/build_id.py) $(PICO_FLAGS) $(PICO_SOURCES) -o $@

$(BUILD)/pico.uf2: $(BUILD)/pico.elf tools/pico_image.py host/reedproof/uf2.py
	arm-none-eabi-objcopy -O binary $< $(BUILD)/pico.bin
	python3 tools/pico_image.py $(BUILD)/pico.bin $@

sizes: $(AVR_BOARDS:%=$(BUILD)/%.elf) $(BUILD)/pico.elf
	@{ for board in $(AVR_BOARDS); do avr-size $(BUILD)/$$board.elf | awk -v board=$$board \
	  'NR == 2 { printf "%s flash %d ram %d\n", board, $$1 + $$2, $$2 + $$3 }'; done; \
	  arm-none-eabi-size $(BUILD)/pico.elf | awk \
	  'NR == 2 { printf "pico flash %d ram %d\n", $$1 + $$2, $$1 + $$2 + $$3 - 256 }'; } | tee $(BUILD)/sizes.txt
