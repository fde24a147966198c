/* text.h - small pieces of text that every report uses. */
#ifndef CHAFFINCH_REPORT_TEXT_H
#define CHAFFINCH_REPORT_TEXT_H

#include <stdbool.h>
#include <stdint.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/rank.h"
#include "chaffinch/str.h"

enum { TEXT_NUMBER_SIZE = 40, TEXT_TIME_SIZE = 48 };

/* `value` with that many decimals (0..6) and a point in every locale; "" for what is not a number. */
char *text_number(char out[TEXT_NUMBER_SIZE], double value, int decimals);
void text_append_number(struct str *s, double value, int decimals);
/* A CSV field after RFC 4180: quoted where it holds a comma, a quote, CR or LF. */
void text_append_csv(struct str *s, const char *text);
/* "'name'" with what a terminal must not see escaped. */
void text_append_name(struct str *s, const char *name);
/* "1 frame", "2 frames": `noun` gets an s. */
void text_append_count(struct str *s, uint64_t n, const char *noun);

/* RFC 3339 time of a frame as its camera wrote it, "" if unknown. */
char *text_time(char out[TEXT_TIME_SIZE], const struct catalogue_frame *frame);
/* "2026-05-01" of a civil time. */
char *text_date(char out[TEXT_TIME_SIZE], int64_t time_ns);
/* "07:14:02.583", with `digits` (0..9) of the fraction. */
char *text_clock(char out[TEXT_TIME_SIZE], int64_t time_ns, int digits);

/* What a row says, also before anything was ranked: then the proposal is none. */
const char *text_proposal(const struct catalogue_row *row);
enum rank_reason text_reason(const struct catalogue_row *row);
const char *text_decision(enum catalogue_decision decision); /* "keep", "reject", "" */
uint32_t text_long_edge(const struct catalogue_frame *frame);
/* True where the blur of the row's subject is known. */
/* A frame of a burst that is too short, or where nothing could be told apart, is scored as a whole: it has a
 * blur and no subject. */
bool text_has_subject(const struct catalogue_row *row);
bool text_blur_known(const struct catalogue_item *item);
/* Where the frame's picture lies now; its bare name when none of its files is known any more. */
const char *text_path(const struct catalogue_row *row);
/* The part after the last slash. */
const char *text_leaf(const char *path);

#endif
