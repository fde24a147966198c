/* rank_options.h - how to choose, as options of every command that chooses. */
#ifndef CHAFFINCH_CLI_RANK_OPTIONS_H
#define CHAFFINCH_CLI_RANK_OPTIONS_H

#include "chaffinch/options.h"
#include "chaffinch/session.h"

enum { RANK_OPTIONS = 4 };
#define RANK_OPTIONS_SYNOPSIS "[--keep N] [--keep-total N] [--max-blur PX] [--min-gap SECONDS]"
/* Their rows of the table of a command; `target` gets what is asked for. */
void rank_options_fill(struct option_spec table[RANK_OPTIONS], struct session_rank_options *target);

#endif
