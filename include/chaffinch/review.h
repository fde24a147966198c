/*
 * review.h - the page on which a person looks at a session and decides, served to a browser on this machine.
 *
 * One process, one thread: libmicrohttpd is polled by our own loop beside the workers that cut the pictures.
 * Bound to 127.0.0.1 only. Every request must name the random token of this run in its path and our own
 * address as its Host; one that changes anything must also come from the page itself. The page moves no file.
 *
 * Calling sequence:
 *     worker_pool_start() before anything else;
 *     review_run(fs, path, workers, &options, log, stop, &err);      returns when *stop is set
 *
 * Errors: as catalogue.h; ERR_REFUSED when another review of the session is open (the message has its
 * address); ERR_IO when the port cannot be had.
 */
#ifndef CHAFFINCH_REVIEW_H
#define CHAFFINCH_REVIEW_H

#include <stdbool.h>
#include <stdint.h>

#include "chaffinch/err.h"
#include "chaffinch/files.h"
#include "chaffinch/log.h"
#include "chaffinch/worker.h"

struct review_options {
    uint16_t port;     /* 0 = any that is free */
    bool open_browser; /* through xdg-open, where there is one and a display */
    unsigned idle_s;   /* a connection that is silent for so long is closed; 0 = 15 s */
    /* Is told the full address once it answers. */
    void *context;
    bool (*ready)(void *context, const char *address, struct err *err);
};

bool review_run(const struct files *fs, const char *path, struct worker_pool *workers,
                const struct review_options *options, struct log *log, const volatile int *stop,
                struct err *err);

#endif
