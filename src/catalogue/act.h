/*
 * act.h - one act of a person: all its records go to decisions.log, are synced, and then count in the tables.
 *
 * The records of an act share their time, and no two acts have the same one: by it an act is found again when
 * it is to be taken back. Times never run backwards, even where the clock does, so that their order is the
 * order of acts also in a catalogue that was made anew.
 *
 * Calling sequence:
 *     struct act act;
 *     if (!act_begin(&act, c, &err)) return false;      a transaction that has taken over the log
 *     act_add(&act, frame, identity, "keep", "", &err) ...
 *     return act_end(&act, ok, who, &err);              logs, applies, commits; or rolls back
 */
#ifndef CHAFFINCH_CATALOGUE_ACT_H
#define CHAFFINCH_CATALOGUE_ACT_H

#include "instant.h"
#include "sql.h"

enum { ACT_WORD_SIZE = 16, ACT_DETAIL_SIZE = 96 };

struct act_record {
    int64_t frame; /* 0 = of an identity whose frame is not there */
    char *identity;
    char word[ACT_WORD_SIZE];
    char detail[ACT_DETAIL_SIZE]; /* "" = the record has no such field */
};

struct act {
    struct catalogue *c;
    int64_t at_ns;
    struct act_record *records;
    size_t n, room;
};

bool act_begin(struct act *act, struct catalogue *c, struct err *err);
bool act_add(struct act *act, int64_t frame, const char *identity, const char *word, const char *detail,
             struct err *err);
/* One record for each row of the query, whose columns are frame and identity. Ends the query. */
bool act_add_rows(struct act *act, struct sql *q, const char *word, struct err *err);
bool act_add_frame(struct act *act, int64_t frame, const char *word, const char *detail, struct err *err);
/* `ok` = every record was added. An act without records changes nothing and is no error. */
bool act_end(struct act *act, bool ok, const char *who, struct err *err);

#endif
