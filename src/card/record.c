#include <string.h>

#include "run.h"

static const int64_t EXPOSURE_NEAR_NS = INT64_C(4000000000);

bool record_time_near(int64_t a_ns, int64_t b_ns)
{
    return (a_ns >= b_ns ? a_ns - b_ns : b_ns - a_ns) <= EXPOSURE_NEAR_NS;
}

enum foresight record_foresee(struct target *session, const struct card *card, const struct card_file *file,
                              const struct target_record **record)
{
    enum foresight foresight = FORESIGHT_NEW;
    *record = NULL;
    const struct map *map = &session->by_card_path;
    for (size_t at = map_first(map, file->path); at != MAP_END; at = map_next(map, at)) {
        const struct target_record *r = &session->record[map_value(map, at)];
        if (r->size != file->size)
            continue;
        /* A volume that has no name of its own is never taken for one that was seen before. */
        if (r->mtime_ns == file->mtime_ns && card->id[0] != '\0' && strcmp(r->card_id, card->id) == 0) {
            *record = r;
            return FORESIGHT_KNOWN;
        }
        if (*record == NULL && record_time_near(r->mtime_ns, file->mtime_ns)) {
            *record = r;
            foresight = FORESIGHT_TWIN;
        }
    }
    return foresight;
}
