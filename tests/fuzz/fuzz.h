/*
 * fuzz.h - what the fuzz targets share.
 *
 * Each fuzz_NAME.c is one target: LLVMFuzzerTestOneInput as libFuzzer calls it. Linked with replay.c instead
 * of libFuzzer the same file is a plain test that replays fixtures and seeded mutations, with any compiler.
 */
#ifndef TESTS_FUZZ_FUZZ_H
#define TESTS_FUZZ_FUZZ_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/decode.h"
#include "chaffinch/root.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

/* Ends the program with the place where it is called. */
#define fuzz_must(condition) fuzz_check((condition), #condition, __FILE__, __LINE__)
void fuzz_check(bool holds, const char *text, const char *file, int line);

/* Decodes all rows of at most a megapixel; true if the picture was whole. */
bool fuzz_luma(enum decode_kind kind, const uint8_t *bytes, size_t size);

/* A session folder in memory, with its `.chaffinch/`. */
struct fuzz_place {
    char *path;
    struct root root;
};
void fuzz_open(struct fuzz_place *place);
void fuzz_write(const struct fuzz_place *place, const char *name, const uint8_t *bytes, size_t size);
void fuzz_close(struct fuzz_place *place);

#endif
