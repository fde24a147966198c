/* card_words.h - what `copy` and `run` tell a person about the card. */
#ifndef CHAFFINCH_CLI_CARD_WORDS_H
#define CHAFFINCH_CLI_CARD_WORDS_H

#include "chaffinch/card.h"
#include "cli.h"

/* Everything that is not safe, each with its reason, then the counts. */
void card_words_tell(struct cli *cli, const struct card_report *report);

#endif
