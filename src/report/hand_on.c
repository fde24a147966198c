/*
 * Marks for other programs. A new sidecar is published under its free name; for one that exists the merged
 * text is put into `.chaffinch/outgoing/`, and `outgoing.log` tells chaffinch-apply where it belongs and what
 * the sidecar held when it was merged:
 *     sidecar PATH OUTGOING XXH3_128_OF_THE_OLD XXH3_128_OF_THE_NEW
 *     end COUNT
 */
#include "hand_on.h"

#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/hash.h"
#include "chaffinch/publish.h"
#include "chaffinch/textlog.h"

#define OUTGOING "outgoing"
#define OUTGOING_LOG "outgoing.log"
#define NEW_SIDECAR "sidecar.new"

struct handing {
    struct session *s;
    const struct report_hand_on_options *options;
    struct report_handed_on *handed;
    struct hand_on_items items;
    struct session_errand *errand;  /* one a sidecar */
    struct sidecar *target;         /* of errand i; its path is owned here */
    const struct hand_on_item **of; /* of errand i */
    size_t n, room;
    struct textlog *outgoing;
    uint64_t n_outgoing;
};

static void name_failed(struct handing *h, const char *path, const char *cause)
{
    char safe[400];
    h->handed->failed++;
    log_line(h->s->log, "left '%s': %s", err_escape(safe, sizeof safe, path), cause);
}

/* ---- what is to be done -------------------------------------------------------------------------------- */

static bool make_room(struct handing *h, struct err *err)
{
    if (h->n < h->room)
        return true;
    size_t room = h->room * 2 + 64;
    void *errand = realloc(h->errand, room * sizeof h->errand[0]);
    h->errand = errand != NULL ? errand : h->errand;
    void *target = realloc(h->target, room * sizeof h->target[0]);
    h->target = target != NULL ? target : h->target;
    void *of = realloc(h->of, room * sizeof h->of[0]);
    h->of = of != NULL ? of : h->of;
    if (errand == NULL || target == NULL || of == NULL)
        return err_nomem(err);
    h->room = room;
    return true;
}

static bool add_errand(struct handing *h, const struct hand_on_item *item, struct sidecar *sidecar,
                       struct err *err)
{
    if (!make_room(h, err))
        return false;
    /* A rating inside the picture is not to be outdone by a new sidecar. */
    bool rated = item->camera_rating != 0 && !item->withdrawn;
    h->errand[h->n] = (struct session_errand){.kind = SESSION_MARK,
                                              .sidecar = sidecar->exists ? sidecar->path : NULL,
                                              .rating = rated ? 0 : item->rating,
                                              .keywords = (const char *const *)item->keyword,
                                              .n_keywords = item->n_keywords};
    h->handed->rated_before += rated;
    h->target[h->n] = *sidecar;
    h->of[h->n++] = item;
    sidecar->path = NULL;
    return true;
}

static bool add_item(struct handing *h, const struct hand_on_item *item, struct err *err)
{
    struct sidecars sidecars;
    const char *picture = item->raw != NULL ? item->raw : item->jpeg;
    if (item->withdrawn && (picture == NULL || picture[0] == '/'))
        return true;
    if (picture == NULL || picture[0] == '/') {
        name_failed(h, picture != NULL ? picture : item->name,
                    picture != NULL ? "it lies outside of the session" : "it has no JPEG and no raw file");
        return true;
    }
    /* What apply moved goes on living at home: its sidecars are handed on there. */
    if (root_is_ours(picture) || strncmp(picture, ROOT_REJECTS "/", sizeof ROOT_REJECTS) == 0) {
        h->handed->away += !item->withdrawn;
        return true;
    }
    if (!sidecars_find(&h->s->root, item, h->options->name, &sidecars, err))
        return false;
    h->handed->frames += !item->withdrawn;
    bool ok = true;
    for (size_t i = 0; ok && i < sidecars.n; i++) {
        if (item->withdrawn && !sidecars.sidecar[i].exists)
            continue;
        if (sidecars.sidecar[i].read_only && !item->withdrawn)
            name_failed(h, sidecars.sidecar[i].path, "it is write-protected");
        else
            ok = add_errand(h, item, &sidecars.sidecar[i], err);
    }
    sidecars_release(&sidecars);
    return ok;
}

/* ---- what came back ------------------------------------------------------------------------------------ */

static bool write_temp(struct handing *h, const void *bytes, size_t size, struct err *err)
{
    const struct files *fs = h->s->root.fs;
    int fd = publish_temp(&h->s->root, NEW_SIDECAR, err);
    if (fd < 0)
        return false;
    bool ok = files_write_full(fs, fd, bytes, size, NEW_SIDECAR, err) && files_sync(fs, fd, NEW_SIDECAR, err);
    return files_close(fs, fd, NEW_SIDECAR, ok ? err : NULL) && ok;
}

/* Only the session's own folder is at fault for the whole run; any other is for its own sidecar. */
static bool write_new(struct handing *h, const char *path, const struct session_made *made, struct err *err)
{
    const struct files *fs = h->s->root.fs;
    const char *leaf;
    struct err trouble = ERR_INIT;
    if (!write_temp(h, made->bytes, made->size, err))
        return false;
    int dir = files_parent(fs, h->s->root.fd, path, false, &leaf, &trouble);
    bool ok = dir >= 0 && publish_new(&h->s->root, NEW_SIDECAR, dir, leaf, path, &trouble) &&
              files_sync(fs, dir, path, &trouble);
    files_drop(fs, dir);
    if (ok)
        h->handed->written++;
    else {
        name_failed(h, path, trouble.message);
        (void)publish_drop(&h->s->root, NEW_SIDECAR, NULL);
    }
    return true;
}

static bool prepare(struct handing *h, const char *path, const struct session_made *made, struct err *err)
{
    char before[HASH_TEXT_SIZE], after[HASH_TEXT_SIZE], place[HASH_TEXT_SIZE], name[2 * HASH_TEXT_SIZE + 16];
    struct hash_digest now = hash_of(made->bytes, made->size), where = hash_of(path, strlen(path));
    (void)snprintf(name, sizeof name, OUTGOING "/%s-%s.xmp", hash_text(&where, place),
                   hash_text(&now, after));
    const char *const fields[] = {"sidecar", path, name, hash_text(&made->read, before), after};
    if (!publish_replace(&h->s->root, name, made->bytes, made->size, err) ||
        !textlog_write(h->outgoing, fields, 5, err))
        return false;
    h->handed->prepared++;
    h->n_outgoing++;
    return true;
}

static bool take_made(void *context, size_t index, const struct session_made *made, struct err *err)
{
    struct handing *h = context;
    const struct sidecar *target = &h->target[index];
    bool withdrawn = h->of[index]->withdrawn;
    if (made->bytes == NULL) {
        name_failed(h, target->path, made->cause);
        return true;
    }
    h->handed->rated_before += made->old_rating != 0 && h->errand[index].rating != 0;
    if (!made->changed) {
        h->handed->unchanged += target->exists && !withdrawn;
        return true;
    }
    if (withdrawn && target->read_only) {
        name_failed(h, target->path, "it is write-protected and keeps the marks of an earlier run");
        return true;
    }
    h->handed->taken_back += withdrawn;
    if (!target->exists)
        return write_new(h, target->path, made, err);
    return prepare(h, target->path, made, err);
}

/* ---- the list of what waits ---------------------------------------------------------------------------- */

static bool drop_waiting(void *context, char *const *fields, size_t n, struct err *err)
{
    struct handing *h = context;
    bool ours = n >= 3 && strcmp(fields[0], "sidecar") == 0 &&
                strncmp(fields[2], OUTGOING "/", sizeof OUTGOING) == 0 && strstr(fields[2], "..") == NULL;
    return !ours || publish_drop(&h->s->root, fields[2], err);
}

/* What an earlier run prepared is made anew: the sidecars or the decisions may be others by now. */
static bool begin_list(struct handing *h, struct err *err)
{
    bool torn;
    if (!textlog_read(&h->s->root, OUTGOING_LOG, drop_waiting, h, &torn, err) ||
        !publish_drop(&h->s->root, OUTGOING_LOG, err))
        return false;
    h->outgoing = textlog_open(&h->s->root, OUTGOING_LOG, err);
    return h->outgoing != NULL;
}

static bool end_list(struct handing *h, struct err *err)
{
    char count[24];
    (void)snprintf(count, sizeof count, "%" PRIu64, h->n_outgoing);
    const char *const fields[] = {"end", count};
    if (!textlog_write(h->outgoing, fields, 2, err))
        return false;
    bool ok = textlog_close(h->outgoing, err);
    h->outgoing = NULL;
    return ok;
}

bool report_hand_on(struct session *s, struct worker_pool *workers,
                    const struct report_hand_on_options *options, struct report_handed_on *handed,
                    struct err *err)
{
    struct handing h = {.s = s, .options = options, .handed = handed};
    *handed = (struct report_handed_on){0};
    bool ok = hand_on_collect(s->catalogue, options, true, &h.items, err);
    for (size_t i = 0; ok && i < h.items.n; i++)
        ok = add_item(&h, &h.items.item[i], err);
    handed->unseen = h.items.unseen;
    ok = ok && begin_list(&h, err) && session_errands(s, workers, h.errand, h.n, take_made, &h, err) &&
         end_list(&h, err);
    textlog_discard(h.outgoing);
    for (size_t i = 0; i < h.n; i++)
        free(h.target[i].path);
    free(h.errand);
    free(h.target);
    free(h.of);
    hand_on_items_release(&h.items);
    return ok;
}
