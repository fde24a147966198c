/*
 * options.h - one table per command gives parsing, --help and range checks.
 *
 * Calling sequence:
 *     uint32_t keep = 3; bool all = false;
 *     const struct option_spec options[] = {
 *         {"keep", OPTION_COUNT, &keep, "N", "frames to keep per pass (default 3)", 1, 1000},
 *         {"all", OPTION_FLAG, &all, NULL, "measure frames again that were measured before", 0, 0},
 *     };
 *     struct command_spec spec = {"rank", "SESSION [--keep N]", "what it does", options, 2, 1, 1};
 *     if (!options_parse(&spec, argc, argv, &arguments, &err)) ...
 *
 * Options may stand anywhere; `--` ends them; `--name VALUE` and `--name=VALUE` are the same; names are never
 * shortened. A name of one letter is written with one dash: `-o VALUE`. ERR_USAGE names the option and what
 * it takes. Ownership: arguments point into argv; text options too.
 */
#ifndef CHAFFINCH_OPTIONS_H
#define CHAFFINCH_OPTIONS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "chaffinch/err.h"

enum option_type {
    OPTION_FLAG,    /* bool *      */
    OPTION_TEXT,    /* const char ** */
    OPTION_TEXTS,   /* struct option_texts *: may be given several times */
    OPTION_COUNT,   /* uint32_t *, min..max */
    OPTION_NUMBER,  /* double *, min..max */
    OPTION_SECONDS, /* int64_t * in ns: "0.5", "500ms", "2s"; min..max in seconds */
    OPTION_DAYS     /* int64_t * in s: "90d", "12h"; min..max in days */
};

enum { OPTION_TEXTS_MAX = 16 };
struct option_texts {
    const char *text[OPTION_TEXTS_MAX];
    size_t n;
};

struct option_spec {
    const char *name; /* without the dashes */
    enum option_type type;
    void *target;
    const char *value; /* what --help calls the value */
    const char *help;
    double min, max;
};

struct command_spec {
    const char *name;     /* "chaffinch rank" */
    const char *synopsis; /* "SESSION [--keep N]" */
    const char *purpose;  /* one or more lines for --help */
    const struct option_spec *options;
    size_t n_options;
    size_t min_args, max_args;
};

struct options_arguments {
    char **arg; /* within argv, reordered to the front */
    size_t n;
    bool help; /* --help was asked for: print options_help() and be done */
};

bool options_parse(const struct command_spec *spec, int argc, char **argv,
                   struct options_arguments *arguments, struct err *err);
void options_help(FILE *out, const struct command_spec *spec);

#endif
