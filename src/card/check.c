/*
 * The check: every file of the manifest is read again, wherever apply moved it, and compared; then every file
 * of a card. Writes nothing.
 */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "run.h"

struct check {
    struct target target;
    struct map by_digest; /* files that are as they were copied, or were deleted by apply */
    struct catalogue *catalogue;
    const struct card_options *options;
    card_finding *finding;
    void *context;
    struct card_report *report;
    bool all_twice;
};

static void tell(struct check *c, const char *what, const char *path, const char *detail)
{
    if (c->finding != NULL)
        c->finding(c->context, what, path, detail);
}

static bool stopped(const struct check *c, struct err *err)
{
    if (c->options->stop == NULL || *c->options->stop == 0)
        return false;
    c->report->interrupted = true;
    err_set(err, ERR_INTERRUPTED, "interrupted: run the same command again");
    return true;
}

static bool listed(const struct target_file *f)
{
    return (f->flags & TARGET_LISTED) != 0;
}

static bool note_digest(struct check *c, size_t file, struct err *err)
{
    char text[HASH_TEXT_SIZE];
    return map_add(&c->by_digest, hash_text(&c->target.file[file].digest, text), file, err);
}

/* Opens where the file lies now: its own place, where the catalogue says apply moved it, or the reject
   folder. -1 with *trouble; *place = the path that was opened (or tried last), to be freed. */
static int open_where_it_lies(struct check *c, const struct target_file *f, char **place, bool *moved,
                              struct err *trouble)
{
    const struct root *root = c->target.root;
    const char *elsewhere = f->moved_to;
    *moved = false;
    *place = NULL;
    int fd = files_open_path(root->fs, root->fd, f->path, NULL, trouble);
    if (fd >= 0 || trouble->code != ERR_NOT_FOUND)
        return fd;
    *place = elsewhere != NULL ? str_make(trouble, "%s", elsewhere)
                               : str_make(trouble, ROOT_REJECTS "/%s", f->path);
    if (*place == NULL)
        return -1;
    *moved = true;
    struct err second = ERR_INIT;
    if (**place == '/')
        fd = files_open_regular(root->fs, AT_FDCWD, *place, NULL, *place, &second);
    else
        fd = files_open_path(root->fs, root->fd, *place, NULL, &second);
    if (fd < 0)
        *trouble = second;
    return fd;
}

static bool count_as_copied(struct check *c, size_t file, struct err *err)
{
    struct target_file *f = &c->target.file[file];
    c->report->verified[card_kind_of_name(f->path)]++;
    c->all_twice = c->all_twice && (f->flags & TARGET_SECOND) != 0;
    return note_digest(c, file, err);
}

static bool find_wrong(struct check *c, const char *what, const char *path, const char *detail,
                       struct err *err)
{
    char message[ERR_MESSAGE_SIZE];
    tell(c, what, path, detail);
    (void)snprintf(message, sizeof message, "%s%s%s", what, detail[0] != '\0' ? ": " : "", detail);
    return report_trouble(c->report, NULL, path, message, err);
}

/* It is not where it was, nor where apply put it. */
static bool check_absent(struct check *c, size_t file, const struct err *trouble, struct err *err)
{
    struct target_file *f = &c->target.file[file];
    if (trouble->code == ERR_NOMEM)
        return err_nomem(err);
    if (trouble->code != ERR_NOT_FOUND) {
        c->report->changed++;
        return find_wrong(c, "unreadable", f->path, trouble->message, err);
    }
    if ((f->flags & TARGET_MOVED) != 0 && !target_may_be_away(f)) {
        c->report->deleted++;
        tell(c, "deleted", f->path, "");
        return note_digest(c, file, err);
    }
    c->report->missing++;
    return find_wrong(c, "missing", f->path, f->moved_to != NULL ? f->moved_to : "", err);
}

static bool check_file(struct check *c, size_t file, struct err *err)
{
    struct target_file *f = &c->target.file[file];
    const struct files *fs = c->target.root->fs;
    struct err trouble = ERR_INIT;
    struct hash_digest digest;
    uint64_t size = 0;
    char *place;
    bool moved, ok;
    int fd = open_where_it_lies(c, f, &place, &moved, &trouble);
    if (fd < 0)
        ok = check_absent(c, file, &trouble, err);
    else if (!readback_digest(&c->target.readback, fs, fd, f->path, NULL, &digest, &size, &trouble)) {
        c->report->changed++;
        ok = find_wrong(c, "unreadable", f->path, trouble.message, err);
    } else if (!hash_equal(&digest, &f->digest)) {
        c->report->changed++;
        ok = find_wrong(c, "changed", f->path, moved ? place : "", err);
    } else {
        if (moved) {
            c->report->moved++;
            tell(c, "moved", f->path, place);
        }
        ok = count_as_copied(c, file, err);
    }
    files_drop(fs, fd);
    free(place);
    log_progress_step(c->options->log, 1, size);
    return ok;
}

static bool check_session(struct check *c, struct err *err)
{
    uint64_t n = 0, bytes = 0;
    for (size_t i = 0; i < c->target.n; i++) {
        n += listed(&c->target.file[i]);
        bytes += c->target.file[i].copied_size;
    }
    bool ok = true;
    log_progress_start(c->options->log, "checking", n, "files", bytes);
    for (size_t i = 0; ok && i < c->target.n; i++)
        ok = !stopped(c, err) && (!listed(&c->target.file[i]) || check_file(c, i, err));
    log_progress_end(c->options->log);
    return ok;
}

/* --- a card --- */

static bool check_card_file(struct check *c, struct card_set *set, const struct card *card,
                            const struct card_file *file, struct err *err)
{
    struct err trouble = ERR_INIT;
    struct hash_digest digest;
    char text[HASH_TEXT_SIZE];
    uint64_t size;
    bool ok = true;
    char *shown = str_make(err, "%s/%s", card->shown, file->path);
    if (shown == NULL)
        return false;
    int fd = files_open_path(&set->view, card->fd, file->path, NULL, &trouble);
    if (fd < 0 ||
        !readback_digest(&c->target.readback, &set->view, fd, file->path, NULL, &digest, &size, &trouble))
        ok = find_wrong(c, "unreadable", shown, trouble.message, err);
    else if (map_first(&c->by_digest, hash_text(&digest, text)) == MAP_END)
        ok = find_wrong(c, "not copied", shown, "", err);
    files_drop(set->fs, fd);
    free(shown);
    log_progress_step(c->options->log, 1, file->size);
    return ok;
}

static bool check_cards(struct check *c, struct card_set *set, struct err *err)
{
    bool ok = true;
    c->report->card_seen = true;
    log_progress_start(c->options->log, "comparing the card", card_count_files(set), "files",
                       card_count_bytes(set));
    for (size_t i = 0; ok && i < set->n; i++) {
        struct card *card = &set->card[i];
        for (size_t k = 0; ok && k < card->n; k++)
            ok = !stopped(c, err) && check_card_file(c, set, card, &card->file[k], err);
        for (size_t k = 0; ok && k < card->seen.n_trouble; k++)
            ok = find_wrong(c, "not copied", card->seen.trouble[k].path, card->seen.trouble[k].message, err);
    }
    log_progress_end(c->options->log);
    return ok;
}

bool card_check(struct root *session, struct catalogue *catalogue, struct card_set *set,
                const struct card_options *options, card_finding *finding, void *context,
                struct card_report *report, struct err *err)
{
    struct check c = {
        .catalogue = catalogue,
        .options = options,
        .finding = finding,
        .context = context,
        .report = report,
        .all_twice = true,
    };
    char safe[400];
    report->one_is_enough = options->one_is_enough;
    if (!target_load(&c.target, session, catalogue, options->log, err))
        return false;
    bool ok =
        c.target.listed ||
        err_set(err, ERR_USAGE, "nothing was copied into '%s': type 'chaffinch copy CARD SESSION' first",
                err_escape(safe, sizeof safe, session->path));
    report->on_card = ok && set != NULL && card_set_shares(set, &c.target.disk);
    ok = ok && check_session(&c, err) && (set == NULL || check_cards(&c, set, err));
    uint64_t n = report->verified[CARD_PICTURE] + report->verified[CARD_CLIP] + report->verified[CARD_OTHER];
    report->disks = n > 0 && c.all_twice ? 2 : 1;
    map_release(&c.by_digest);
    target_release(&c.target);
    return ok;
}
