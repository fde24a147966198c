/*
 * The copy run. Invariants, in the order in which a file meets them:
 *  (1) cards are touched through the read-only view only;
 *  (2) bytes go to `.chaffinch/incoming/N`, hashed as they are read;
 *  (3) a temp gets a name of the session only after it was synced, read back past the page cache and found
 *      equal; no name is ever replaced;
 *  (4) the folder is synced before the manifest lists the file, the manifest before copies.log does;
 *  (5) a run that dies leaves temps (the next one removes them) and perhaps published files that are not yet
 *      listed (the next one knows them by their bytes).
 *
 * Family by family: while the verifier proves family n, family n+1 is read from the card; then n is placed.
 */
#include <stdlib.h>
#include <string.h>

#include "run.h"

static void family_free(struct family *family)
{
    if (family != NULL)
        free(family->job);
    free(family);
}

static bool fail_job(struct run *run, const struct job *job, struct err *err)
{
    return report_trouble(run->report, job->card->shown, job->file->path, job->err.message, err);
}

/* --- proving --- */

/* True when the job is settled; *again = copy it anew. */
static bool judge(struct run *run, struct job *job, bool last, bool *again, struct err *err)
{
    *again = false;
    if (job->verdict == JOB_SAME) {
        job->state = JOB_VERIFIED;
        return true;
    }
    bool final = last || copy_is_final(&job->verify_err);
    struct err trouble = job->verify_err;
    if (job->verdict == JOB_DIFFERS)
        err_set(&trouble, ERR_FILE,
                "the copy differs from what was read, time and again: the disk '%s' or the "
                "memory may be failing",
                run->target[job->bad_target].root->path);
    if (!final) {
        *again = true;
        return true;
    }
    if (job->bad_target > 0) {
        copy_give_up_second(&run->copier, &trouble);
        job->state = JOB_VERIFIED; /* the first target is looked at first, and was the same */
        return true;
    }
    copy_drop(&run->copier, job);
    job->state = JOB_FAILED;
    job->err = trouble;
    run->stopped = run->stopped || trouble.code == ERR_INTERRUPTED;
    if (job->verdict == JOB_DIFFERS || trouble.code == ERR_INTERRUPTED)
        return true;
    if (err != NULL)
        *err = trouble;
    return false;
}

bool settle_job(struct run *run, struct job *job, struct err *err)
{
    bool again = false;
    if (job->state != JOB_COPIED)
        return true;
    for (int i = 1; i <= JOB_ATTEMPTS; i++) {
        verifier_wait(run->verifier, job, run->options->stop);
        if (!judge(run, job, i == JOB_ATTEMPTS, &again, err))
            return false;
        if (!again)
            return true;
        copy_drop(&run->copier, job);
        enum copied copied = copy_file(&run->copier, job, err);
        if (copied == COPIED_TARGET)
            return false;
        run->stopped = run->stopped || copied == COPIED_STOPPED;
        if (job->state != JOB_COPIED)
            return true;
        verifier_submit(run->verifier, job);
    }
    return true;
}

/* --- committing --- */

static bool note_pending(struct run *run, const struct pending *p, struct err *err)
{
    const struct card_options *o = run->options;
    bool second = p->second && !run->target[1].failed;
    struct target_record record = {
        .file = p->target_file,
        .card_path = p->file->path,
        .card_id = (char *)(uintptr_t)p->card->id,
        .label = (char *)(uintptr_t)(o->label != NULL ? o->label : ""),
        .size = p->file->size,
        .mtime_ns = p->file->mtime_ns,
        .fingerprint = p->fingerprint,
        .suffix = p->suffix,
        .second = second ? run->target[1].disk.id : (char *)(uintptr_t) "",
    };
    return target_note_record(&run->target[0], &record, err);
}

/* The second target first: the session's log tells of second copies only when they are safe. */
static bool commit(struct run *run, struct err *err)
{
    struct err trouble = ERR_INIT;
    if (run->n_targets > 1 && !run->target[1].failed && !target_commit(&run->target[1], &trouble))
        copy_give_up_second(&run->copier, &trouble);
    for (size_t i = 0; i < run->n_pending; i++)
        if (!note_pending(run, &run->pending[i], err))
            return false;
    run->n_pending = 0;
    return target_commit(&run->target[0], err);
}

/* --- one family --- */

static bool second_lacks(struct run *run, const struct job *job, uint32_t suffix, bool *lacks,
                         struct err *err)
{
    *lacks = false;
    if (run->n_targets < 2 || run->target[1].failed)
        return true;
    struct target *second = &run->target[1];
    enum target_state state;
    struct err trouble = ERR_INIT;
    char *path = names_with_suffix(job->file->path, suffix, err);
    if (path == NULL)
        return false;
    size_t file = target_find(second, path);
    free(path);
    *lacks = file == TARGET_NONE || (second->file[file].flags & TARGET_LISTED) == 0;
    if (*lacks)
        return true;
    if (!target_state(second, file, &state, &trouble)) {
        copy_give_up_second(&run->copier, &trouble);
        *lacks = false;
        return true;
    }
    *lacks = state != TARGET_STATE_INTACT && state != TARGET_STATE_MOVED && state != TARGET_STATE_DELETED;
    return true;
}

/* This card's file was copied before, by name, size and time. Its first bytes decide; then only what a target
   lacks is wanted. *settled = nothing is left to read. */
static bool start_known(struct run *run, struct family *family, struct job *job,
                        const struct target_record *record, bool *settled, struct err *err)
{
    struct target *session = &run->target[0];
    struct hash_digest fingerprint;
    enum target_state state;
    *settled = false;
    enum copied copied = copy_fingerprint(&run->copier, job, &fingerprint);
    run->stopped = run->stopped || copied == COPIED_STOPPED;
    if (copied != COPIED_OK) {
        job->state = JOB_FAILED;
        *settled = true;
        return true;
    }
    if (!hash_equal(&fingerprint, &record->fingerprint))
        return true; /* the same name, size and time, but another picture */
    if (!target_state(session, record->file, &state, err))
        return false;
    family->first_suffix = record->suffix;
    if (state == TARGET_STATE_LOST)
        return true;
    if (state == TARGET_STATE_CHANGED || state == TARGET_STATE_AWAY) {
        const struct target_file *f = &session->file[record->file];
        char safe[400];
        (void)err_escape(safe, sizeof safe, f->moved_to != NULL ? f->moved_to : f->path);
        if (state == TARGET_STATE_AWAY)
            err_set(&job->err, ERR_FILE, "its copy was moved to '%s' and is not there: connect that disk",
                    safe);
        else
            err_set(&job->err, ERR_FILE,
                    "its copy '%s' was changed since: the card may hold the only original", safe);
        job->state = JOB_FAILED;
        *settled = true;
        return true;
    }
    job->known = record->file;
    job->digest = session->file[record->file].digest;
    job->fingerprint = fingerprint;
    job->need[0] = false;
    job->state = JOB_READ;
    if (!second_lacks(run, job, record->suffix, &job->need[1], err))
        return false;
    *settled = !job->need[1];
    return true;
}

/* Looks like a file that another card brought: it is only read, and stored once if the bytes agree. */
static bool start_twin(struct run *run, struct family *family, struct job *job,
                       const struct target_record *record, struct err *err)
{
    enum target_state state;
    if (!target_state(&run->target[0], record->file, &state, err))
        return false;
    if (state != TARGET_STATE_INTACT && state != TARGET_STATE_MOVED && state != TARGET_STATE_DELETED)
        return true;
    family->first_suffix = record->suffix;
    job->need[0] = false;
    return second_lacks(run, job, record->suffix, &job->need[1], err);
}

static bool start_job(struct run *run, struct family *family, struct job *job, struct err *err)
{
    const struct target_record *record;
    bool settled = false;
    job->need[0] = true;
    job->need[1] = run->n_targets > 1;
    switch (record_foresee(&run->target[0], job->card, job->file, &record)) {
    case FORESIGHT_KNOWN:
        if (!start_known(run, family, job, record, &settled, err))
            return false;
        break;
    case FORESIGHT_TWIN:
        if (!start_twin(run, family, job, record, err))
            return false;
        break;
    default:
        break;
    }
    if (settled)
        return true;
    enum copied copied = copy_file(&run->copier, job, err);
    if (copied == COPIED_TARGET)
        return false;
    run->stopped = run->stopped || copied == COPIED_STOPPED;
    log_progress_step(run->options->log, 1, 0);
    if (job->state == JOB_COPIED)
        verifier_submit(run->verifier, job);
    return true;
}

static struct family *family_new(struct card *card, unsigned number, size_t first, size_t n, struct err *err)
{
    struct family *family = calloc(1, sizeof *family);
    if (family != NULL)
        family->job = calloc(n, sizeof *family->job);
    if (family == NULL || family->job == NULL) {
        family_free(family);
        err_nomem(err);
        return NULL;
    }
    family->card = card;
    family->card_number = number;
    family->n = n;
    for (size_t i = 0; i < n; i++) {
        family->job[i].card = card;
        family->job[i].file = &card->file[first + i];
        family->job[i].known = TARGET_NONE;
        family->job[i].state = JOB_FAILED; /* until it is read */
        for (size_t t = 0; t < TARGET_MAX; t++)
            family->job[i].temp[t].fd = -1;
    }
    return family;
}

/* Reads the files of a family. After a stop or a failure what was submitted still has to be waited for. */
static bool start_family(struct run *run, struct family *family, struct err *err)
{
    for (size_t i = 0; i < family->n && !run->stopped; i++)
        if (!start_job(run, family, &family->job[i], err))
            return false;
    return true;
}

/* Takes the jobs back from the verifier and drops their temps: an unfinished family. */
static void abandon_family(struct run *run, struct family *family)
{
    for (size_t i = 0; family != NULL && i < family->n; i++) {
        struct job *job = &family->job[i];
        if (job->state == JOB_COPIED)
            verifier_wait(run->verifier, job, run->options->stop);
        copy_drop(&run->copier, job);
    }
}

static bool finish_family(struct run *run, struct family *family, struct err *err)
{
    bool usable = false;
    for (size_t i = 0; i < family->n; i++)
        if (!settle_job(run, &family->job[i], err))
            return false;
    for (size_t i = 0; i < family->n; i++)
        usable = usable || family->job[i].state == JOB_VERIFIED || family->job[i].state == JOB_READ;
    if (usable && !place_family(run, family, err))
        return false;
    for (size_t i = 0; i < family->n; i++)
        if (family->job[i].state == JOB_FAILED && !run->stopped && !fail_job(run, &family->job[i], err))
            return false;
    return run->n_pending < COMMIT_FILES || commit(run, err);
}

/* --- all cards --- */

static size_t family_size(const struct card *card, size_t first)
{
    size_t n = 1;
    while (first + n < card->n && n < FAMILY_MAX &&
           strcmp(card->file[first].family, card->file[first + n].family) == 0)
        n++;
    return n;
}

/* One step of the pipeline: `next` is read while `*before` is verified; then `*before` is placed. */
static bool step(struct run *run, struct family **before, struct family *next, struct err *err)
{
    struct err second = ERR_INIT;
    bool ok = next == NULL || start_family(run, next, err);
    /* Where `next` met a full disk, `*before` is complete all the same: it only needs its names. */
    if (*before != NULL) {
        if (!finish_family(run, *before, ok ? err : &second))
            ok = false;
        (void)atomic_fetch_add(&run->set->settled, (*before)->n);
    }
    if (!ok || (run->stopped && next != NULL)) {
        abandon_family(run, *before);
        abandon_family(run, next);
        family_free(next);
        next = NULL;
    }
    family_free(*before);
    *before = next;
    return ok;
}

static bool copy_card(struct run *run, size_t number, struct err *err)
{
    struct card *card = &run->set->card[number];
    struct family *before = NULL;
    for (size_t at = 0; at < card->n && !run->stopped;) {
        size_t n = family_size(card, at);
        struct family *next = family_new(card, (unsigned)number + 1, at, n, err);
        if (next == NULL || !step(run, &before, next, err)) {
            abandon_family(run, before);
            family_free(before);
            return false;
        }
        at += n;
    }
    /* Before the next card is begun all of this one must be known: mirrored files are told by it. */
    return (before == NULL || step(run, &before, NULL, err)) && commit(run, err);
}

static bool copy_cards(struct run *run, struct err *err)
{
    bool ok = true;
    for (size_t i = 0; ok && i < run->set->n && !run->stopped; i++)
        ok = copy_card(run, i, err);
    /* What was published before a failure is whole: list it if that is still possible. */
    if (!ok)
        (void)commit(run, NULL);
    return ok;
}

/* --- beginning and end --- */

static bool add_target(struct run *run, struct root *root, struct catalogue *catalogue, struct err *err)
{
    struct target *t = &run->target[run->n_targets];
    if (!target_recover(root, err) || !target_load(t, root, catalogue, run->options->log, err))
        return false;
    run->n_targets++;
    return target_scan(t, err);
}

/* The session exists by now, so a second folder inside it is seen. */
static bool open_second(struct run *run, struct root *session, struct root *second, struct err *err)
{
    const struct card_options *o = run->options;
    struct lineage a, b = {0};
    char safe[400];
    if (!lineage_of(session->fs, session->path, &a, err))
        return false;
    bool ok = lineage_of(session->fs, o->second, &b, err);
    bool nested = ok && (lineage_overlap(&a, &b) ||
                         (a.n > 0 && lineage_holds(&b, a.folder[0].device, a.folder[0].inode)));
    lineage_release(&a);
    lineage_release(&b);
    if (nested)
        ok = err_set(err, ERR_REFUSED, "'%s' and the session lie in one another: choose another folder",
                     err_escape(safe, sizeof safe, o->second));
    ok = ok && root_open(second, session->fs, o->second, true, true, err) && root_lock(second, err) &&
         add_target(run, second, NULL, err);
    if (!ok)
        return false;
    run->second_counts = strcmp(run->target[0].disk.id, run->target[1].disk.id) != 0;
    if (!run->second_counts)
        log_line(o->log, "'%s' is on the same disk as the session and does not count as a second copy",
                 err_escape(safe, sizeof safe, o->second));
    else if (run->target[1].disk.memory)
        log_line(o->log, "'%s' lies in memory: it is gone when the computer is switched off",
                 err_escape(safe, sizeof safe, o->second));
    return true;
}

static bool take_walk_trouble(struct run *run, struct err *err)
{
    for (size_t i = 0; i < run->set->n; i++) {
        const struct card_report *seen = &run->set->card[i].seen;
        for (size_t k = 0; k < seen->n_trouble; k++)
            if (!report_trouble(run->report, NULL, seen->trouble[k].path, seen->trouble[k].message, err))
                return false;
    }
    return true;
}

static void count_verified(struct run *run)
{
    const struct target *session = &run->target[0];
    bool all_twice = true;
    for (size_t i = 0; i < session->n; i++) {
        const struct target_file *f = &session->file[i];
        if ((f->flags & TARGET_COUNTED) == 0)
            continue;
        run->report->verified[card_kind_of_name(f->path)]++;
        if ((f->flags & TARGET_ON_DISK) == 0)
            run->report->moved++;
        all_twice = all_twice && (f->flags & TARGET_SECOND) != 0;
    }
    uint64_t n = run->report->verified[CARD_PICTURE] + run->report->verified[CARD_CLIP] +
                 run->report->verified[CARD_OTHER];
    run->report->disks = n > 0 && all_twice ? 2 : 1;
    run->report->second_failed = run->n_targets > 1 && run->target[1].failed;
    run->report->card_seen = true;
    run->report->one_is_enough = run->options->one_is_enough;
}

static bool start_copier(struct run *run, struct err *err)
{
    run->copier.buffer = malloc(READBACK_BYTES);
    run->copier.hash = hash_new(err);
    run->copier.view = &run->set->view;
    run->copier.target = run->target;
    run->copier.n_targets = run->n_targets;
    run->copier.next_temp = 1;
    run->copier.stop = run->options->stop;
    run->copier.log = run->options->log;
    run->copier.retry_pause_ms = run->options->retry_pause_ms;
    if (run->copier.buffer == NULL || run->copier.hash == NULL)
        return err_nomem(err);
    run->verifier = verifier_start(run->target, run->n_targets, !run->options->no_thread, err);
    return run->verifier != NULL;
}

struct card_copying {
    struct run run;
    struct root second;
    struct plan plan;
    bool done; /* it came to its end, or was stopped in good order */
};

static void copying_free(struct card_copying *c)
{
    if (c == NULL)
        return;
    verifier_stop(c->run.verifier);
    free(c->run.copier.buffer);
    hash_free(c->run.copier.hash);
    for (size_t i = 0; i < c->run.n_targets; i++)
        target_release(&c->run.target[i]);
    root_close(&c->second);
    free(c);
}

struct card_copying *card_copy_begin(struct card_set *set, struct root *session, struct catalogue *catalogue,
                                     const struct card_options *options, struct card_report *report,
                                     struct err *err)
{
    struct card_copying *c = calloc(1, sizeof *c);
    if (c == NULL) {
        err_nomem(err);
        return NULL;
    }
    struct run *run = &c->run;
    c->second = (struct root)ROOT_INIT;
    run->set = set;
    run->options = options;
    run->report = report;
    atomic_store(&set->settled, 0);
    bool ok = add_target(run, session, catalogue, err) &&
              (options->second == NULL || open_second(run, session, &c->second, err));
    for (size_t i = 0; ok && i < run->n_targets; i++)
        report->on_card = report->on_card || card_set_shares(set, &run->target[i].disk);
    if (ok && take_walk_trouble(run, err) && space_plan(run, &c->plan, err) &&
        space_check(run, &c->plan, err) && start_copier(run, err))
        return c;
    copying_free(c);
    return NULL;
}

bool card_copy_go(struct card_copying *c, struct err *err)
{
    struct run *run = &c->run;
    log_progress_start(run->options->log, "copying", c->plan.files, "files", c->plan.bytes);
    c->done = copy_cards(run, err);
    log_progress_end(run->options->log);
    count_verified(run);
    return c->done;
}

bool card_copy_end(struct card_copying *c, struct catalogue *catalogue, struct err *err)
{
    bool ok = !c->done || catalogue == NULL || target_index(&c->run.target[0], catalogue, err);
    if (ok && c->done && c->run.stopped) {
        c->run.report->interrupted = true;
        ok = err_set(err, ERR_INTERRUPTED, "interrupted: run the same command again to go on");
    }
    copying_free(c);
    return ok;
}

bool card_copy(struct card_set *set, struct root *session, struct catalogue *catalogue,
               const struct card_options *options, struct card_report *report, struct err *err)
{
    struct card_copying *c = card_copy_begin(set, session, catalogue, options, report, err);
    if (c == NULL)
        return false;
    bool ok = card_copy_go(c, err);
    return card_copy_end(c, catalogue, ok ? err : NULL) && ok;
}
