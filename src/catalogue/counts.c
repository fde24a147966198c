/* Sums over the whole session that the page shows. */
#include "sql.h"

bool catalogue_data_version(struct catalogue *c, int64_t *version, struct err *err)
{
    struct sql q;
    *version = 0;
    if (!sql_start(c, &q, "PRAGMA data_version", err))
        return false;
    if (sql_row(&q, err))
        *version = sql_get_int(&q, 0);
    return sql_end(&q);
}

bool catalogue_count_moves(struct catalogue *c, struct catalogue_moves *moves, struct err *err)
{
    struct sql q;
    *moves = (struct catalogue_moves){0};
    if (!sql_start(c, &q,
                   "SELECT p.home IS NOT NULL, count(DISTINCT v.id), count(*), sum(p.size) FROM frames v"
                   " JOIN file p ON p.frame = v.id WHERE NOT v.missing AND NOT p.missing"
                   " AND (v.outcome = 'reject') = (p.home IS NULL) GROUP BY 1",
                   err))
        return false;
    while (sql_row(&q, err)) {
        uint64_t frames = (uint64_t)sql_get_int(&q, 1), files = (uint64_t)sql_get_int(&q, 2),
                 bytes = (uint64_t)sql_get_int(&q, 3);
        if (sql_get_int(&q, 0) != 0) {
            moves->back_frames = frames;
            moves->back_files = files;
            moves->back_bytes = bytes;
        } else {
            moves->frames = frames;
            moves->files = files;
            moves->bytes = bytes;
        }
    }
    return sql_end(&q);
}
