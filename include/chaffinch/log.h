/*
 * log.h - lines for a person on stderr, and progress with rate and time left.
 *
 * On a terminal progress is one line that is rewritten at most six times a second; elsewhere it is a plain
 * line now and then. Messages never tear a progress line. Names in messages must be escaped with err_escape.
 *
 * Calling sequence:
 *     struct log *log = log_new(stderr, "chaffinch", &err);
 *     log_line(log, "3 files could not be read");
 *     log_progress_start(log, "copying", total_items, "files", total_bytes);
 *     log_progress_step(log, 1, size_bytes);  ...  log_progress_end(log);
 *     log_free(log);
 *
 * Two threads may write to one log; progress belongs to one thing at a time.
 */
#ifndef CHAFFINCH_LOG_H
#define CHAFFINCH_LOG_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "chaffinch/err.h"

struct log;
struct log *log_new(FILE *stream, const char *program, struct err *err); /* the stream stays the caller's */
/* A log that passes its lines on and shows no progress, for what is done beside something that does. `to`
   stays the caller's. */
struct log *log_lines_only(struct log *to, struct err *err);
void log_free(struct log *log);
/* "PROGRAM: text". A NULL log is accepted everywhere and says nothing. */
void log_line(struct log *log, const char *format, ...) __attribute__((format(printf, 2, 3)));
void log_err(struct log *log, const struct err *err);
/* total 0 = not known; total_bytes 0 = count items only. */
void log_progress_start(struct log *log, const char *what, uint64_t total, const char *unit,
                        uint64_t total_bytes);
void log_progress_step(struct log *log, uint64_t items, uint64_t bytes);
void log_progress_end(struct log *log);

/* "1 h 5 min", "3 min 20 s", "12 s". */
char *log_duration(double seconds, char out[32]);
/* "8.1 GB", "312 MB" (SI). */
char *log_bytes(uint64_t bytes, char out[32]);
/* "12,345". */
char *log_count(uint64_t n, char out[32]);

#endif
