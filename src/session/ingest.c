/*
 * Measuring while copying. The copy runs in a thread of its own, exactly as it runs alone: nothing here can
 * hold it up or fail it. Meanwhile this thread measures, in rounds, what lies in the session as a whole;
 * between rounds it waits for more. What a round did is in the catalogue when it ends, so a kill or an
 * interrupt costs no more than in a measuring of its own, and the measuring that follows the copy finds the
 * rest.
 */
#include <pthread.h>
#include <stdatomic.h>
#include <time.h>

#include "chaffinch/session.h"

enum {
    ROUND_FILES = 64, /* a round waits for this many, or for a twentieth of what there is: its walk and its
                         grouping grow with the session */
    ROUND_SHARE = 20,
    POLL_MS = 50
};
/* Room that measuring leaves free on the disk beside what is still to be copied: cells of a frame take less
   than a megabyte. A copy must not fail for them. */
#define ROOM_FILE_BYTES (UINT64_C(1) << 20)
#define ROOM_BYTES (UINT64_C(256) << 20)

struct ingest {
    struct session *s;
    struct worker_pool *workers;
    struct card_set *set;
    struct session_measured *measured;
    bool fast;
    struct card_copying *copying;
    atomic_bool copied;
    bool ok; /* of the copy, with its error */
    struct err err;
};

static void *run_copy(void *context)
{
    struct ingest *in = context;
    in->ok = card_copy_go(in->copying, &in->err);
    atomic_store(&in->copied, true);
    return NULL;
}

static bool has_room(const struct ingest *in, const struct card_coming *coming)
{
    struct statvfs st;
    const struct root *root = &in->s->root;
    uint64_t wanted = coming->bytes + card_count_files(in->set) * ROOM_FILE_BYTES + ROOM_BYTES;
    return root->fs->fstatvfs(root->fs->context, root->fd, &st) == 0 &&
           (uint64_t)st.f_bavail * st.f_frsize >= wanted;
}

/* False: no further round. */
static bool measure_round(struct ingest *in, struct session *quiet, const struct card_coming *coming)
{
    struct session_measured totals;
    struct err err = ERR_INIT;
    const struct session_measure_options options = {.fast = in->fast, .coming = coming};
    bool ok = session_measure(quiet, in->workers, &options, &totals, &err);
    in->measured->failed += totals.found_unreadable;
    in->measured->found_unreadable += totals.found_unreadable;
    return ok;
}

static void pause_a_while(void)
{
    const struct timespec pause = {.tv_nsec = POLL_MS * 1000000L};
    (void)nanosleep(&pause, NULL);
}

static void measure_meanwhile(struct ingest *in)
{
    uint64_t total = card_count_files(in->set), measured = 0;
    struct session quiet = *in->s;
    quiet.log = log_lines_only(in->s->log, NULL);
    bool going = quiet.log != NULL;
    while (going && !atomic_load(&in->copied)) {
        struct card_coming coming;
        if (!card_coming_list(in->set, &coming, NULL))
            break;
        uint64_t here = total - coming.n, step = here / ROUND_SHARE;
        if (here - measured >= (step > ROUND_FILES ? step : ROUND_FILES)) {
            going = has_room(in, &coming) && measure_round(in, &quiet, &coming);
            measured = here;
        } else
            pause_a_while();
        card_coming_release(&coming);
        going = going && (in->s->stop == NULL || *in->s->stop == 0);
    }
    log_free(quiet.log);
}

bool session_ingest(struct session *s, struct worker_pool *workers, struct card_set *set,
                    const struct card_options *options, bool fast, struct card_report *report,
                    struct session_measured *measured, struct err *err)
{
    pthread_t thread;
    struct ingest in = {
        .s = s, .workers = workers, .set = set, .measured = measured, .fast = fast, .err = ERR_INIT};
    *measured = (struct session_measured){0};
    in.copying = card_copy_begin(set, &s->root, s->catalogue, options, report, err);
    if (in.copying == NULL)
        return false;
    atomic_init(&in.copied, false);
    if (pthread_create(&thread, NULL, run_copy, &in) == 0) {
        measure_meanwhile(&in);
        (void)pthread_join(thread, NULL);
    } else
        (void)run_copy(&in);
    if (!in.ok && err != NULL)
        *err = in.err;
    return card_copy_end(in.copying, s->catalogue, in.ok ? err : NULL) && in.ok;
}
