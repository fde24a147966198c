/* What one record of decisions.log does to the tables. */
#include <stdio.h>
#include <string.h>

#include "instant.h"
#include "replay.h"

enum detail { NO_DETAIL, ACT_TIME, SHARES };

static const struct word {
    const char *word;
    enum detail detail;
} words[] = {
    {"keep", NO_DETAIL},          {"reject", NO_DETAIL},      {"clear", NO_DETAIL},
    {"accept-keep", NO_DETAIL},   {"accept-none", NO_DETAIL}, {"unaccept", NO_DETAIL},
    {"accept-reject", NO_DETAIL}, {"shortlist", NO_DETAIL},   {"unshortlist", NO_DETAIL},
    {"recall", NO_DETAIL},        {"unrecall", NO_DETAIL},    {"undo", ACT_TIME},
    {"remove-area", ACT_TIME},    {"ignore", SHARES},         {"keep-out", SHARES},
};

static const struct word *find_word(const char *text)
{
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strcmp(text, words[i].word) == 0)
            return &words[i];
    return NULL;
}

static bool parse_shares(const char *text, double shares[4])
{
    int end = 0;
    return sscanf(text, "%lf %lf %lf %lf%n", &shares[0], &shares[1], &shares[2], &shares[3], &end) == 4 &&
           text[end] == '\0';
}

static bool detail_fits(const struct word *word, const char *detail)
{
    int64_t at_ns;
    double shares[4];
    return word->detail == ACT_TIME ? instant_parse(detail, &at_ns)
           : word->detail == SHARES ? parse_shares(detail, shares)
                                    : detail[0] == '\0';
}

static bool wait_for_frame(struct catalogue *c, const struct replay_record *r, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q,
                   "INSERT INTO pending (identity, decision, who, at_ns, detail) VALUES (?1, ?2, ?3, ?4, ?5)",
                   err))
        return false;
    sql_text(&q, r->identity);
    sql_text(&q, r->word);
    sql_text(&q, r->who);
    sql_int(&q, r->at_ns);
    sql_text(&q, r->detail);
    return sql_done(&q, err);
}

static bool add_to_history(struct catalogue *c, int64_t frame, const struct replay_record *r, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q,
                   "INSERT INTO decision (frame, decision, who, at_ns, detail) VALUES (?1, ?2, ?3, ?4, ?5)",
                   err))
        return false;
    sql_int(&q, frame);
    sql_text(&q, r->word);
    sql_text(&q, r->who);
    sql_int(&q, r->at_ns);
    sql_text(&q, r->detail);
    return sql_done(&q, err);
}

static bool mark_undone(struct catalogue *c, int64_t frame, const char *act, struct err *err)
{
    struct sql q;
    int64_t at_ns = 0;
    (void)instant_parse(act, &at_ns);
    if (!sql_start(c, &q,
                   "UPDATE decision SET undone = 1 WHERE frame = ?1 AND at_ns = ?2 AND decision <> 'undo'",
                   err))
        return false;
    sql_int(&q, frame);
    sql_int(&q, at_ns);
    return sql_done(&q, err);
}

/* The area has the number of the record that made it: the last one of the history. */
static bool put_area(struct catalogue *c, int64_t frame, const struct replay_record *r, struct err *err)
{
    struct sql q;
    char made[INSTANT_SIZE];
    double shares[4] = {0};
    (void)parse_shares(r->detail, shares);
    if (!sql_start(c, &q,
                   "INSERT INTO area (id, frame, kind, x, y, w, h, made)"
                   " VALUES ((SELECT max(id) FROM decision), ?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                   err))
        return false;
    sql_int(&q, frame);
    sql_text(&q, r->word);
    for (int i = 0; i < 4; i++)
        sql_real(&q, shares[i]);
    sql_text(&q, instant_text(r->at_ns, made));
    return sql_done(&q, err);
}

/* clang-format off */
#define LAST_OF(what, list)                                                                                  \
    "(SELECT " what " FROM decision d WHERE d.frame = ?1 AND d.undone = 0 AND d.decision IN (" list ")"      \
    " ORDER BY d.id DESC LIMIT 1)"

static const char settling[] =
    "UPDATE frame SET"
    " decision = coalesce(" LAST_OF("nullif(d.decision, 'clear')", "'keep', 'reject', 'clear'") ", ''),"
    " accepted = coalesce(" LAST_OF("CASE d.decision WHEN 'unaccept' THEN '' ELSE substr(d.decision, 8) END",
                                    "'accept-keep', 'accept-reject', 'accept-none', 'unaccept'") ", ''),"
    " shortlist = coalesce(" LAST_OF("d.decision = 'shortlist'", "'shortlist', 'unshortlist'") ", 0),"
    " recalled = coalesce(" LAST_OF("d.decision = 'recall'", "'recall', 'unrecall'") ", 0)"
    " WHERE id = ?1";
/* clang-format on */

/* What holds of a frame is the last that was said and not taken back, subject by subject. */
static bool settle_frame(struct catalogue *c, int64_t frame, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, settling, err))
        return false;
    sql_int(&q, frame);
    return sql_done(&q, err);
}

static bool settle_areas(struct catalogue *c, int64_t frame, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q,
                   "UPDATE area SET removed = (SELECT undone FROM decision m WHERE m.id = area.id)"
                   " OR EXISTS (SELECT 1 FROM decision r WHERE r.frame = ?1 AND r.decision = 'remove-area'"
                   " AND r.undone = 0 AND r.detail = area.made) WHERE frame = ?1",
                   err))
        return false;
    sql_int(&q, frame);
    return sql_done(&q, err);
}

bool replay_apply(struct catalogue *c, int64_t frame, const struct replay_record *r, struct err *err)
{
    const struct word *word = find_word(r->word);
    if (frame == 0)
        return wait_for_frame(c, r, err);
    if (word == NULL || !detail_fits(word, r->detail))
        return err_set(err, ERR_DAMAGED,
                       "'" ROOT_STATE "/" REPLAY_LOG "' holds a word that is not known: '%.40s'", r->word);
    return add_to_history(c, frame, r, err) &&
           (strcmp(r->word, "undo") != 0 || mark_undone(c, frame, r->detail, err)) &&
           (word->detail != SHARES || put_area(c, frame, r, err)) && settle_frame(c, frame, err) &&
           (word->detail == NO_DETAIL || settle_areas(c, frame, err));
}
