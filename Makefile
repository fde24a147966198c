# chaffinch: build, test, install.   `make help` lists the targets.

# ---- settings -------------------------------------------------------------
CC        ?= gcc
OPT       ?= -O2
SANITIZE  ?=
WERROR    ?=
PREFIX    ?= /usr/local
DESTDIR   ?=
BINDIR    ?= $(PREFIX)/bin
MANDIR    ?= $(PREFIX)/share/man
VERSION   := 0.1.0

WARNINGS  := -Wall -Wextra -Wpedantic -Wshadow -Wconversion -Wstrict-prototypes -Wmissing-prototypes
DEFINES   := -D_GNU_SOURCE -D_FILE_OFFSET_BITS=64 -DCHAFFINCH_VERSION='"$(VERSION)"'
LIBS      := -lseccomp -lraw_r -ljpeg -lpng -lexif -lexempi -lsqlite3 -lxxhash -lcjson -lmicrohttpd -lm
VALGRIND  := valgrind -q --error-exitcode=99 --leak-check=full --errors-for-leak-kinds=definite --suppressions=tests/valgrind.supp
# The executable that moves and deletes links no codec and no parser of foreign bytes.
APPLY_LIBS := -lsqlite3 -lxxhash -lm

# ---- nothing below needs a change to build elsewhere ----------------------
# Every flag set has an object folder of its own: builds never mix.
ifeq ($(origin CC),default)
CC := gcc
endif
comma     := ,
FLAVOUR   := $(if $(SANITIZE),$(subst $(comma),-,$(SANITIZE)),$(if $(filter -O0,$(OPT)),debug,release))
OUT       := .build/$(FLAVOUR)$(if $(filter-out gcc cc,$(notdir $(CC))),-$(notdir $(CC)))
CPPFLAGS_ALL = -Iinclude -I$(OUT) $(DEFINES) $(if $(SANITIZE),-DCHAFFINCH_SANITIZED) $(CPPFLAGS)
CFLAGS_ALL   = -std=c11 $(OPT) -g $(WARNINGS) $(if $(WERROR),-Werror) $(if $(SANITIZE),-fsanitize=$(SANITIZE) -fno-sanitize-recover=all -fno-omit-frame-pointer) $(CFLAGS)
LDFLAGS_ALL  = $(if $(SANITIZE),-fsanitize=$(SANITIZE)) $(LDFLAGS)

ENGINE_MODULES := base catalogue worker frame card burst measure decode locate subject rank session field report review
APPLY_MODULES  := base catalogue apply
ENGINE_SRC := $(foreach m,$(ENGINE_MODULES),$(sort $(wildcard src/$(m)/*.c)))
APPLY_SRC  := $(foreach m,$(APPLY_MODULES),$(sort $(wildcard src/$(m)/*.c)))
ALL_SRC    := $(sort $(ENGINE_SRC) $(APPLY_SRC))
CLI_SRC    := $(sort $(wildcard src/cli/*.c))
ACLI_SRC   := $(sort $(wildcard src/cli_apply/*.c))
CARDGEN_SRC := $(sort $(wildcard tests/cardgen/*.c))
REF_SRC    := $(sort $(wildcard tests/ref/*.c))
UNIT_SRC   := $(sort $(wildcard tests/unit/test_*.c))
BENCH_SRC  := $(sort $(wildcard tests/bench/bench_*.c))
# What the benches share, with the drawing part of the card generator.
BENCH_PARTS := $(filter-out $(BENCH_SRC),$(sort $(wildcard tests/bench/*.c))) $(filter-out %/main.c,$(CARDGEN_SRC))
CRASH_SRC  := $(sort $(wildcard tests/crash/*.c))
TORTURE_SRC := $(sort $(wildcard tests/torture/*.c))
FUZZ_SRC   := $(sort $(wildcard tests/fuzz/fuzz_*.c))
HEADERS    := $(sort $(wildcard include/chaffinch/*.h))
THREADED   := $(sort $(wildcard tests/unit/test_card*.c))
STYLED     := $(sort $(wildcard include/chaffinch/*.h src/*/*.[ch] tests/*/*.[ch]))

PAGE       := $(sort $(wildcard src/review/page/*.html src/review/page/*.css src/review/page/*.js src/review/page/*.svg) src/report/look.css)

obj = $(patsubst %.c,$(OUT)/%.o,$(1))
UNIT_BIN  := $(patsubst tests/unit/%.c,$(OUT)/unit/%,$(UNIT_SRC))
BENCH_BIN := $(patsubst tests/bench/%.c,$(OUT)/bench/%,$(BENCH_SRC))
CRASH_BIN := $(patsubst tests/crash/%.c,$(OUT)/crash/%,$(CRASH_SRC))
TORTURE_BIN := $(patsubst tests/torture/%.c,$(OUT)/torture/%,$(filter tests/torture/torture_%,$(TORTURE_SRC)))
# What the torture tests share, and both programs with their main functions under other names.
TORTURE_OBJ := $(call obj,$(filter-out tests/torture/torture_%,$(TORTURE_SRC)) $(filter-out src/cli/main.c,$(CLI_SRC)) $(filter-out src/cli_apply/main.c,$(ACLI_SRC))) \
               $(OUT)/torture/engine_main.o $(OUT)/torture/apply_main.o
TORTURE_WRAP := $(foreach f,files_system nanosleep malloc calloc realloc strdup strndup realpath exif_data_new,-Wl,--wrap=$(f))
FUZZ_NAMES := $(patsubst tests/fuzz/fuzz_%.c,%,$(FUZZ_SRC))
FUZZ_OBJ  := $(call obj,tests/fuzz/fuzz.c tests/torture/mutate.c tests/torture/tree.c tests/torture/picture.c)
FUZZ_BIN  := $(FUZZ_NAMES:%=$(OUT)/fuzz/%)
REPLAY_BIN := $(FUZZ_NAMES:%=$(OUT)/fuzz/replay_%)
FUZZ_S    ?= 3600

.DEFAULT_GOAL := all
.DELETE_ON_ERROR:
.SECONDARY:
MAKEFLAGS += --no-builtin-rules

all: $(OUT)/chaffinch $(OUT)/chaffinch-apply ## build both executables

# Loops over cells, which gcc leaves alone at -O2 unless it may keep a scalar rest beside them. Results stay the same.
ifeq ($(findstring clang,$(CC)),)
$(OUT)/src/base/lanes.o $(OUT)/src/locate/%.o $(OUT)/src/subject/%.o $(OUT)/src/rank/%.o $(OUT)/src/measure/%.o: CFLAGS_ALL += -fvect-cost-model=dynamic
endif
$(OUT)/%.o: %.c | compile_commands.json
	@mkdir -p $(@D)
	$(CC) $(CPPFLAGS_ALL) $(CFLAGS_ALL) -MMD -MP -c -o $@ $<

# The page's files, carried in the program.
$(OUT)/page_files.c: $(PAGE) scripts/embed Makefile
	@mkdir -p $(@D)
	@scripts/embed $(PAGE) > $@
$(OUT)/page_files.o: $(OUT)/page_files.c
	$(CC) $(CPPFLAGS_ALL) -Isrc/review $(CFLAGS_ALL) -MMD -MP -c -o $@ $<
# The look that the page shares with the contact sheet.
$(OUT)/look.c: src/report/look.css Makefile
	@mkdir -p $(@D)
	@{ echo '#include "sheet.h"'; echo 'const char sheet_style_look[] = {'; od -An -v -td1 $< | sed 's/  *\(-*[0-9][0-9]*\)/\1,/g'; echo '0};'; } > $@
$(OUT)/look.o: $(OUT)/look.c
	$(CC) $(CPPFLAGS_ALL) -Isrc/report $(CFLAGS_ALL) -MMD -MP -c -o $@ $<

$(OUT)/libengine.a: $(call obj,$(ENGINE_SRC)) $(OUT)/page_files.o $(OUT)/look.o
	@rm -f $@; $(AR) rcs $@ $^
$(OUT)/libapply.a: $(call obj,$(APPLY_SRC))
	@rm -f $@; $(AR) rcs $@ $^
$(OUT)/libtest.a: $(call obj,$(ALL_SRC) $(REF_SRC)) $(OUT)/page_files.o $(OUT)/look.o
	@rm -f $@; $(AR) rcs $@ $^

$(OUT)/chaffinch: $(call obj,$(CLI_SRC)) $(OUT)/libengine.a
	$(CC) $(CFLAGS_ALL) $(LDFLAGS_ALL) -o $@ $^ $(LIBS)
$(OUT)/chaffinch-apply: $(call obj,$(ACLI_SRC)) $(OUT)/libapply.a
	$(CC) $(CFLAGS_ALL) $(LDFLAGS_ALL) -o $@ $^ $(APPLY_LIBS)
$(OUT)/cardgen: $(call obj,$(CARDGEN_SRC)) $(OUT)/libtest.a
	$(CC) $(CFLAGS_ALL) $(LDFLAGS_ALL) -o $@ $^ $(LIBS)
$(OUT)/unit/%: $(OUT)/tests/unit/%.o $(OUT)/libbench.a $(OUT)/libtest.a
	@mkdir -p $(@D)
	$(CC) $(CFLAGS_ALL) $(LDFLAGS_ALL) -o $@ $^ $(LIBS) $$(pkg-config --libs check)
$(OUT)/crash/%: $(OUT)/tests/crash/%.o $(OUT)/libtest.a
	@mkdir -p $(@D)
	$(CC) $(CFLAGS_ALL) $(LDFLAGS_ALL) -o $@ $^ $(LIBS)

$(OUT)/torture/engine_main.o: src/cli/main.c | compile_commands.json
	@mkdir -p $(@D)
	$(CC) $(CPPFLAGS_ALL) $(CFLAGS_ALL) -Wno-missing-prototypes -Dmain=engine_main -MMD -MP -c -o $@ $<
$(OUT)/torture/apply_main.o: src/cli_apply/main.c | compile_commands.json
	@mkdir -p $(@D)
	$(CC) $(CPPFLAGS_ALL) $(CFLAGS_ALL) -Wno-missing-prototypes -Dmain=apply_main -MMD -MP -c -o $@ $<
$(OUT)/torture/%: $(OUT)/tests/torture/%.o $(TORTURE_OBJ) $(OUT)/libtest.a
	@mkdir -p $(@D)
	$(CC) $(CFLAGS_ALL) $(LDFLAGS_ALL) $(TORTURE_WRAP) -o $@ $^ $(LIBS)

$(OUT)/libbench.a: $(call obj,$(BENCH_PARTS))
	@rm -f $@; $(AR) rcs $@ $^
# libFuzzer wants to see at least the target's own branches.
$(OUT)/tests/fuzz/fuzz_%.o: CFLAGS_ALL += $(if $(SANITIZE),$(if $(findstring clang,$(CC)),-fsanitize=fuzzer-no-link))
# One target, two programs: with libFuzzer (clang only), or with what replays the corpora.
$(OUT)/fuzz/replay_%: $(OUT)/tests/fuzz/fuzz_%.o $(OUT)/tests/fuzz/replay.o $(FUZZ_OBJ) $(OUT)/libtest.a
	@mkdir -p $(@D)
	$(CC) $(CFLAGS_ALL) $(LDFLAGS_ALL) -o $@ $^ $(LIBS)
$(OUT)/fuzz/%: $(OUT)/tests/fuzz/fuzz_%.o $(FUZZ_OBJ) $(OUT)/libtest.a
	@mkdir -p $(@D)
	$(CC) $(CFLAGS_ALL) $(LDFLAGS_ALL) -fsanitize=fuzzer -o $@ $^ $(LIBS)

$(OUT)/bench/%: $(OUT)/tests/bench/%.o $(OUT)/libbench.a $(OUT)/libtest.a
	@mkdir -p $(@D)
	$(CC) $(CFLAGS_ALL) $(LDFLAGS_ALL) -o $@ $^ $(LIBS)

# A slow card for any program: preloaded, see its head.
$(OUT)/throttle.so: tests/throttle/throttle.c | compile_commands.json
	$(CC) -std=c11 $(OPT) $(WARNINGS) $(if $(WERROR),-Werror) $(DEFINES) -shared -fPIC -o $@ $<

compile_commands.json: Makefile
	@scripts/compile-commands '$(CC) $(CPPFLAGS_ALL) $(CFLAGS_ALL)' $(ALL_SRC) $(CLI_SRC) $(ACLI_SRC) $(CARDGEN_SRC) $(UNIT_SRC) $(CRASH_SRC) $(TORTURE_SRC) $(wildcard tests/fuzz/*.c) $(BENCH_SRC) $(BENCH_PARTS) $(REF_SRC) > $@

cardgen: $(OUT)/cardgen ## build the demo card generator

unit: $(UNIT_BIN) ## build and run the unit tests (UNDER="valgrind ...": under a tool)
	@UNDER="$(UNDER)" scripts/run-unit $(UNIT_BIN)

headers: ## compile every public header alone
	@for h in $(HEADERS); do $(CC) $(CPPFLAGS_ALL) $(CFLAGS_ALL) -Werror -fsyntax-only -x c $$h || exit 1; done; echo "headers: $(words $(HEADERS)) compile alone"

lint: all headers ## what can be seen without running: order of includes, dangerous calls, sizes, format, scripts, man pages
	@for c in includes docstrings danger size shell; do scripts/check-$$c || exit 1; done
	@scripts/check-man $(OUT)
	@clang-format --dry-run -Werror $(STYLED) && echo "format: $(words $(STYLED)) files obey .clang-format"

cli: all $(OUT)/cardgen $(OUT)/throttle.so $(CRASH_BIN) ## run the command line tests
	@scripts/run-cli $(OUT)

browser: all $(OUT)/cardgen ## the page of review in chromium, by keyboard (SIZE=2400x1800 PART="speed looks access judging losing")
	@if [ -x /usr/bin/python3 ]; then /usr/bin/python3 tests/browser/run.py $(OUT) $(or $(SIZE),1200x900) $(PART); \
	else echo "browser: skipped, no /usr/bin/python3"; fi

bench-blur: $(OUT)/bench/bench_blur ## the blur in px, on photographs blurred by known kernels (packages lomiri-wallpapers-16.04 and -20.04; ARGS="photo.jpg": others)
	@$(OUT)/bench/bench_blur $(ARGS)
.PHONY: bench-blur

crash: all $(CRASH_BIN) ## run the kill tests
	@for t in $(CRASH_BIN); do $$t $(OUT) || exit 1; done

torture-short: $(TORTURE_BIN) ## a sample of the torture tests: faults, kills, power cuts, hostile input
	@for t in $(TORTURE_BIN); do $$t || exit 1; done

torture: $(TORTURE_BIN) ## all of them: every call of every command fails, in every way (long)
	@for t in $(TORTURE_BIN); do CHAFFINCH_LONG=1 $$t || exit 1; done

fuzz-replay: $(REPLAY_BIN) ## the corpora of the fuzz targets as plain tests
	@for t in $(REPLAY_BIN); do $$t || exit 1; done

fuzz-smoke: ## a few seconds of each fuzz target (clang, ASan + UBSan)
	@$(MAKE) CC=clang SANITIZE=address,undefined FUZZ_S=3 fuzz-run

fuzz: ## an hour of each fuzz target, guided by coverage (FUZZ_S=seconds)
	@$(MAKE) CC=clang SANITIZE=address,undefined,fuzzer-no-link fuzz-run

fuzz-run: $(FUZZ_BIN) $(REPLAY_BIN)
	@scripts/run-fuzz $(OUT) $(FUZZ_S) $(FUZZ_NAMES)

bench: all $(BENCH_BIN) $(OUT)/cardgen $(OUT)/throttle.so peers ## speed, memory and copying beside others, on 20-megapixel frames, as ratios of one run (BENCH_CARD=folder)
	@if [ -x /usr/bin/python3 ]; then /usr/bin/python3 tests/bench/speed.py $(OUT); else echo "bench: skipped, no /usr/bin/python3"; fi

bench-growth: all $(OUT)/cardgen ## peak memory with 1,000 and with 20,000 small frames (long)
	@/usr/bin/python3 tests/bench/growth.py $(OUT)

# A program over OpenCV, where Debian's libopencv-dev is installed.
peers:
	@if pkg-config --exists opencv4; then mkdir -p $(OUT)/bench; \
	    [ $(OUT)/bench/peer_opencv -nt tests/bench/peer_opencv.cpp ] || g++ -O2 -Wall -Wextra -o $(OUT)/bench/peer_opencv tests/bench/peer_opencv.cpp \
	        -I/usr/include/opencv4 -lopencv_imgcodecs -lopencv_imgproc -lopencv_core; \
	else echo "peers: no OpenCV, what is compared with it is left out"; fi
.PHONY: peers bench-more bench-growth

bench-more: all $(BENCH_BIN) $(OUT)/cardgen ## measuring beside djpeg (FILES="a.jpg folder"), a large catalogue, the ranking of the demo card, the waits of review
	@$(OUT)/bench/bench_measure $(FILES)
	@$(OUT)/bench/bench_catalogue
	@[ -f .build/demo/truth.csv ] || $(OUT)/cardgen .build/demo --jobs 2
	@$(OUT)/bench/bench_rank .build/demo/card .build/demo/truth.csv
	@$(OUT)/bench/bench_lesson
	@$(MAKE) --no-print-directory browser SIZE=2400x1800 PART=speed
	@[ -d .build/demo/session ] || $(OUT)/chaffinch run .build/demo/card .build/demo/session >/dev/null 2>&1 || [ -d .build/demo/session ]
	@$(OUT)/bench/bench_review .build/demo/session

bench-rank: $(OUT)/bench/bench_bursts ## how right the ranking is, on rendered bursts with a known truth (ARGS="--set report --condition wind": see DEVELOPERS.md)
	@scripts/bench-rank $(OUT) $(ARGS)

check: lint unit cli crash torture-short fuzz-replay ## every quick test

# Workers give their limits up where a tool needs the room: see CHAFFINCH_SANITIZED in src/worker.
valgrind: ## run the unit tests under valgrind
	@$(MAKE) FLAVOUR=valgrind CPPFLAGS=-DCHAFFINCH_SANITIZED OPT=-O1 UNDER="$(VALGRIND)" unit

threads: cardgen ## run the unit tests of what has threads, and one full run, under ThreadSanitizer
	@$(MAKE) CC=clang SANITIZE=thread UNIT_SRC="$(THREADED)" unit
	@$(MAKE) CC=clang SANITIZE=thread all
	@scripts/check-threads .build/thread-clang $(OUT)/cardgen

check-all: ## every test: both compilers, sanitizers, valgrind, a kill at every system call (long)
	@for cc in gcc clang; do for s in "" address,undefined; do \
	    echo "== $$cc $${s:-release}"; $(MAKE) WERROR=1 CC=$$cc SANITIZE=$$s cardgen unit cli || exit 1; done; done
	@echo "== threads"; $(MAKE) threads
	@echo "== valgrind"; $(MAKE) valgrind
	@echo "== lint, every kill"; CHAFFINCH_LONG=1 $(MAKE) lint crash

# The tests of what is measured; the others would take long without optimisation and add nothing.
COVERAGE_UNIT := $(foreach n,acts apply base card catalogue decisions disk journal sidecars textlog,$(sort $(wildcard tests/unit/test_$(n)*.c)))
COVERAGE_MEMORY := copy-second copy-again check decide-all move undo move-far undo-far delete sidecars undo-sidecars
COVERAGE_CLI := apply bad_input copy deleted safety two_cards hand_on catalogue_page list
# Limits of workers are off here: gcov writes a file when a process ends. It allocates when a process forks, so it dies where the test of
# failing memory wants the program to live: only the figures count here, whether the tests pass is said by `make check`.
coverage: ## line and branch coverage of what must not lose anything: apply, card, catalogue (COVERAGE_LIST=1: what was not run)
	@find .build/coverage -name '*.gcda' -delete 2>/dev/null || true
	@$(MAKE) FLAVOUR=coverage CPPFLAGS=-DCHAFFINCH_SANITIZED OPT="-O0 --coverage" UNIT_SRC="$(COVERAGE_UNIT)" unit all cardgen .build/coverage/crash/kill_apply fuzz-replay
	@scripts/run-cli .build/coverage $(COVERAGE_CLI)
	@$(MAKE) FLAVOUR=coverage CPPFLAGS=-DCHAFFINCH_SANITIZED OPT="-O0 --coverage" coverage-torture
	@scripts/coverage .build/coverage apply card catalogue

coverage-torture: $(TORTURE_BIN)
	@for t in $(filter-out %/torture_soak %/torture_hostile %/torture_memory,$(TORTURE_BIN)); do $$t | tail -n 1 || true; done
	@CHAFFINCH_STEP=1999 CHAFFINCH_OWN_STEP=4 $(OUT)/torture/torture_memory $(COVERAGE_MEMORY) | tail -n 1 || true
	@CHAFFINCH_STEP=29 $(OUT)/unit/test_apply_faults | tail -n 1
	@CHAFFINCH_STEP=5 $(OUT)/unit/test_catalogue_faults | tail -n 1

clean: ## remove everything that was built
	rm -rf .build compile_commands.json

install: all ## install both executables and the man pages (DESTDIR=, PREFIX=)
	install -d "$(DESTDIR)$(BINDIR)" "$(DESTDIR)$(MANDIR)/man1" "$(DESTDIR)$(MANDIR)/man5"
	install -m 755 $(OUT)/chaffinch $(OUT)/chaffinch-apply "$(DESTDIR)$(BINDIR)"
	install -m 644 man/*.1 "$(DESTDIR)$(MANDIR)/man1"
	install -m 644 man/*.5 "$(DESTDIR)$(MANDIR)/man5"

uninstall: ## remove the files that install put there
	cd "$(DESTDIR)$(BINDIR)" && rm -f chaffinch chaffinch-apply
	cd "$(DESTDIR)$(MANDIR)" && rm -f $(patsubst man/%,man1/%,$(wildcard man/*.1)) $(patsubst man/%,man5/%,$(wildcard man/*.5))

help: ## this list
	@awk -F':.*## ' '/^[a-z-]+:.*## /{printf "  make %-13s %s\n", $$1, $$2}' Makefile
	@echo "  settings: CC=$(CC) OPT=$(OPT) SANITIZE=address,undefined WERROR=1 PREFIX= DESTDIR="

.PHONY: all cardgen unit headers lint cli crash torture-short torture fuzz-replay fuzz-smoke fuzz fuzz-run bench bench-rank check valgrind threads check-all coverage coverage-torture clean install uninstall help
-include $(shell find $(OUT) -name '*.d' 2>/dev/null)
