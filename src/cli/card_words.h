/* card_words.h - what `copy` and `run` share: opening the cards, and what a person is told about them. */
#ifndef CHAFFINCH_CLI_CARD_WORDS_H
#define CHAFFINCH_CLI_CARD_WORDS_H

#include "chaffinch/card.h"
#include "cli.h"

/* Opens the cards of CARD... SESSION and completes the options. NULL: *status is what to return. */
struct card_set *card_words_open(struct cli *cli, const struct options_arguments *arguments,
                                 struct card_options *options, const char **session, int *status);
/* Everything that is not safe, each with its reason, then the counts. */
void card_words_tell(struct cli *cli, const struct card_report *report);

#endif
