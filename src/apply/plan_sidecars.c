/*
 * What --sidecars would do: each sidecar that hand-on merged goes to `.chaffinch/replaced/NNNN/`, and the
 * merged text takes its name. Both are one frame of the run: neither is ever done without the other.
 *
 * `.chaffinch/outgoing.log` holds what was prepared: "sidecar PATH OUTGOING OLD NEW" (XXH3-128 of what was
 * merged and of the result), and "end COUNT", without which the list is not whole.
 */
#include <fcntl.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/str.h"
#include "chaffinch/textlog.h"
#include "plan.h"

#define OUTGOING_LOG "outgoing.log"
#define REPLACED ROOT_STATE "/replaced"

struct swapping {
    struct plan *plan;
    uint64_t n;
    bool whole;
};

static bool below_session(const char *path)
{
    return path[0] != '/' && path[0] != '\0' && strncmp(path, ROOT_STATE "/", sizeof ROOT_STATE) != 0;
}

static bool holds(const struct plan_staged *staged, const char *digest, const char *what, struct err *cause)
{
    struct hash_digest wanted;
    char safe[400];
    return (hash_parse(digest, &wanted) && hash_equal(&staged->file.digest, &wanted)) ||
           err_set(cause, ERR_FILE, "%s '%s' changed since it was merged: type 'chaffinch hand-on' again",
                   what, err_escape(safe, sizeof safe, staged->from));
}

/* The old one first: its name must be free before the new one can have it. */
static bool stage_swap(struct plan *plan, char *const *fields, struct err *cause)
{
    static const struct plan_expect as_it_is = {.picture = false};
    const char *path = fields[1];
    char *merged = str_make(cause, ROOT_STATE "/%s", fields[2]);
    char *kept = str_make(cause, REPLACED "/%04" PRIu32 "/%s", plan->run.number, path);
    bool ok = merged != NULL && kept != NULL && plan_stage(plan, 0, path, 0, kept, &as_it_is, cause) &&
              holds(&plan->staged[0], fields[3], "the sidecar", cause) &&
              plan_stage(plan, 0, merged, 0, path, &as_it_is, cause) &&
              holds(&plan->staged[1], fields[4], "the merged text", cause);
    free(merged);
    free(kept);
    return ok;
}

/* A text that is there no longer was swapped in by an earlier run. */
static bool still_waits(const struct plan *plan, const char *outgoing, bool *waits, struct err *err)
{
    const struct files *fs = plan->root->fs;
    const char *leaf;
    struct stat st;
    struct err trouble = ERR_INIT;
    int dir = files_parent(fs, plan->root->state, outgoing, false, &leaf, &trouble);
    *waits = dir >= 0 && fs->fstatat(fs->context, dir, leaf, &st, AT_SYMLINK_NOFOLLOW) == 0;
    if (dir >= 0 && !*waits)
        err_sys(&trouble, "look at", outgoing);
    files_drop(fs, dir);
    if (*waits || trouble.code == ERR_NOT_FOUND)
        return true;
    if (err != NULL)
        *err = trouble;
    return false;
}

static bool plan_swap(void *context, char *const *fields, size_t n, struct err *err)
{
    struct swapping *s = context;
    struct err cause = ERR_INIT;
    bool waits;
    if (n == 2 && strcmp(fields[0], "end") == 0) {
        s->whole = strtoull(fields[1], NULL, 10) == s->n;
        return true;
    }
    s->whole = false;
    if (n != 5 || strcmp(fields[0], "sidecar") != 0 || !below_session(fields[1]) || !below_session(fields[2]))
        return err_set(err, ERR_DAMAGED,
                       "the list of merged sidecars is damaged: type 'chaffinch hand-on' again");
    s->n++;
    if (!still_waits(s->plan, fields[2], &waits, err))
        return false;
    if (!waits)
        return true;
    plan_begin(s->plan);
    if (stage_swap(s->plan, fields, &cause))
        return plan_accept(s->plan, APPLY_SWAPPED, 0, fields[1], err);
    if (!plan_fatal(&cause))
        return plan_leave(s->plan, 0, fields[1], true, &cause, err);
    if (err != NULL)
        *err = cause;
    return false;
}

bool plan_sidecars(struct plan *plan, struct err *err)
{
    struct swapping s = {.plan = plan, .whole = true};
    bool torn;
    if (!textlog_read(plan->root, OUTGOING_LOG, plan_swap, &s, &torn, err))
        return false;
    if (!s.whole || torn)
        return err_set(err, ERR_USAGE,
                       "what hand-on prepared is not whole, it was cut off: type 'chaffinch hand-on' again");
    run_set_batches(&plan->run);
    return true;
}
