/* awake.h - keeps the computer from sleeping during the night's work, where the system offers that. */
#ifndef CHAFFINCH_CLI_AWAKE_H
#define CHAFFINCH_CLI_AWAKE_H

#include "chaffinch/log.h"

struct awake {
    int pid;  /* of the process that holds the inhibition, 0 = none */
    int pipe; /* closing it ends that process */
};

/* Never fails: where it cannot be had, a warning says so. */
void awake_start(struct awake *awake, struct log *log);
void awake_end(struct awake *awake);

#endif
