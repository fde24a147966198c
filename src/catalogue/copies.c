/* The index of the copy manifest. */
#include "sql.h"

bool catalogue_put_copy(struct catalogue *c, const struct catalogue_copy *copy, struct err *err)
{
    char digest[HASH_TEXT_SIZE];
    struct sql q;
    if (!sql_start(c, &q,
                   "INSERT INTO copy (path, card_path, card, size, mtime_ns, digest, second) VALUES "
                   "(?1,?2,?3,?4,?5,?6,?7)"
                   " ON CONFLICT (path) DO UPDATE SET card_path = excluded.card_path, card = excluded.card,"
                   " size = excluded.size, mtime_ns = excluded.mtime_ns, digest = excluded.digest, second = "
                   "excluded.second",
                   err))
        return false;
    sql_bytes(&q, copy->path);
    sql_bytes(&q, copy->card_path);
    sql_text(&q, copy->card);
    sql_int(&q, (int64_t)copy->size);
    sql_int(&q, copy->mtime_ns);
    sql_text(&q, hash_text(&copy->digest, digest));
    sql_text(&q, copy->second);
    return sql_done(&q, err);
}

bool catalogue_each_copy(struct catalogue *c, catalogue_copy_visit *visit, void *context, struct err *err)
{
    struct sql q;
    bool ok = true;
    if (!sql_start(c, &q,
                   "SELECT path, card_path, card, size, mtime_ns, digest, second FROM copy ORDER BY path",
                   err))
        return false;
    while (ok && sql_row(&q, err)) {
        struct catalogue_copy copy = {.path = sql_get_text(&q, 0),
                                      .card_path = sql_get_text(&q, 1),
                                      .card = sql_get_text(&q, 2),
                                      .size = (uint64_t)sql_get_int(&q, 3),
                                      .mtime_ns = sql_get_int(&q, 4),
                                      .second = sql_get_text(&q, 6)};
        ok = hash_parse(sql_get_text(&q, 5), &copy.digest)
                 ? visit(context, &copy, err)
                 : err_set(err, ERR_DAMAGED, "the catalogue of '%s' holds a checksum that is none", c->shown);
    }
    return sql_end(&q) && ok;
}
