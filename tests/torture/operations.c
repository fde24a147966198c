#include "operations.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "client.h"

static const char *const names[OPERATIONS] = {
    "copy",   "copy-second", "measure",  "rank",    "decide",   "sheet",         "move",       "undo",
    "delete", "move-far",    "undo-far", "hand-on", "sidecars", "undo-sidecars", "copy-again", "check",
    "run",    "decide-all",  "area",     "crop",    "deliver",  "report",        "glance",     "review"};

static const enum stage before[OPERATIONS] = {[COPY] = STAGE_NOTHING,      [COPY_SECOND] = STAGE_NOTHING,
                                              [MEASURE] = STAGE_COPIED,    [RANK] = STAGE_MEASURED,
                                              [DECIDE] = STAGE_RANKED,     [SHEET] = STAGE_RANKED,
                                              [MOVE] = STAGE_DECIDED,      [UNDO] = STAGE_MOVED,
                                              [DELETE] = STAGE_MOVED,      [MOVE_FAR] = STAGE_DECIDED,
                                              [UNDO_FAR] = STAGE_AWAY,     [HAND_ON] = STAGE_DECIDED,
                                              [SIDECARS] = STAGE_HANDED,   [UNDO_SIDECARS] = STAGE_SWAPPED,
                                              [COPY_AGAIN] = STAGE_COPIED, [CHECK] = STAGE_MOVED,
                                              [RUN] = STAGE_NOTHING,       [DECIDE_ALL] = STAGE_RANKED,
                                              [AREA] = STAGE_RANKED,       [CROP] = STAGE_KEPT,
                                              [DELIVER] = STAGE_KEPT,      [REPORT] = STAGE_KEPT,
                                              [GLANCE] = STAGE_NOTHING,    [REVIEW] = STAGE_RANKED};

const char *operation_name(enum operation op)
{
    return names[op];
}

enum stage operation_starts_at(enum operation op)
{
    return before[op];
}

bool operation_only_reads(enum operation op)
{
    return op == SHEET || op == CHECK || op == REPORT || op == GLANCE;
}

bool operation_is_undo(enum operation op)
{
    return op == UNDO || op == UNDO_FAR || op == UNDO_SIDECARS;
}

struct program_run operation_command(const struct scene *s, enum operation op, const char *count)
{
    const char *const *f = scene_frames;
    if (op == REVIEW)
        client_decides(s->reject, 3);
    const struct program_run runs[OPERATIONS] = {
        [COPY] = {.engine = true, .args = {"copy", s->card, s->session, "--one-is-enough"}},
        [COPY_SECOND] = {.engine = true,
                         .args = {"copy", s->card, s->session, "--second", s->second, "--one-is-enough"}},
        [MEASURE] = {.engine = true, .args = {"measure", s->session, "--jobs", "1"}},
        [RANK] = {.engine = true, .args = {"rank", s->session}},
        [DECIDE] = {.engine = true,
                    .args = {"decide", s->session, "reject", scene_rejects[0], scene_rejects[1],
                             scene_rejects[2]}},
        [SHEET] = {.engine = true, .args = {"sheet", s->session, "-o", s->sheet}},
        [MOVE] = {.args = {s->session, "--move"}},
        [UNDO] = {.args = {s->session, "--undo"}},
        [DELETE] = {.args = {s->session, "--delete-rejects", "--confirm", count}},
        [MOVE_FAR] = {.args = {s->session, "--move", "--to", s->away}, .other_disk = s->away},
        [UNDO_FAR] = {.args = {s->session, "--undo"}, .other_disk = s->away},
        [HAND_ON] = {.engine = true, .args = {"hand-on", s->session, "--mark-rejects"}},
        [SIDECARS] = {.args = {s->session, "--sidecars"}},
        [COPY_AGAIN] = {.engine = true,
                        .args = {"copy", s->card, s->session, "--second", s->second, "--one-is-enough"}},
        [CHECK] = {.engine = true, .args = {"check", s->session, "--card", s->card, "--one-is-enough"}},
        [UNDO_SIDECARS] = {.args = {s->session, "--undo"}},
        [RUN] = {.engine = true, .args = {"run", s->card, s->session, "--one-is-enough", "--jobs", "1"}},
        [DECIDE_ALL] = {.engine = true,
                        .args = {"decide", s->session, "keep", f[0], f[1], f[2], f[3], f[4], f[5], f[6]}},
        [AREA] = {.engine = true,
                  .args = {"area", s->session, "--ignore", "8,8,40,24", "--frame", scene_frames[1]}},
        [CROP] = {.engine = true, .args = {"crop", s->session, "--to", s->made}},
        [DELIVER] = {.engine = true,
                     .args = {"hand-on", s->session, "--deliver", s->made, "--label", "pond"}},
        [REPORT] = {.engine = true, .args = {"report", s->session, "--page", s->sheet}},
        [GLANCE] = {.engine = true, .args = {"glance", s->card}},
        [REVIEW] = {.engine = true,
                    .args = {"review", s->session, "--no-open", "--jobs", "1"},
                    .beside = client_start},
    };
    return runs[op];
}

/* ---- what must hold ------------------------------------------------------------------------------------ */

static bool is_far(enum operation op)
{
    return op == MOVE_FAR || op == UNDO_FAR;
}

static bool holds(const struct operation_check *c, const char *root, enum invariant_state state, bool times)
{
    const struct invariants w = {.scene = c->scene,
                                 .root = root,
                                 .state = state,
                                 .folder_times = times,
                                 .away = is_far(c->op) ? c->scene->away : NULL,
                                 .two = c->two,
                                 .reserved = c->reserved,
                                 .grain_ns = c->grain_ns};
    return invariants_hold(&w);
}

/* What was made outside of the session. */
static bool made_holds(const struct operation_check *c, bool all)
{
    static const struct tree nothing = {.n = 0};
    const struct scene *s = c->scene;
    const struct tree *right = c->op == DELIVER ? &s->delivered : c->op == CROP ? &s->cropped : &nothing;
    return invariants_made(s->made, right, all);
}

bool operation_holds(const struct operation_check *c)
{
    static const enum invariant_state states[OPERATIONS] = {
        [COPY] = STATE_COPYING,      [COPY_SECOND] = STATE_COPYING,
        [MEASURE] = STATE_HOME,      [RANK] = STATE_HOME,
        [DECIDE] = STATE_HOME,       [SHEET] = STATE_HOME,
        [MOVE] = STATE_BETWEEN,      [UNDO] = STATE_BETWEEN,
        [DELETE] = STATE_GOING,      [MOVE_FAR] = STATE_BETWEEN,
        [UNDO_FAR] = STATE_BETWEEN,  [HAND_ON] = STATE_SWAPPING,
        [SIDECARS] = STATE_SWAPPING, [UNDO_SIDECARS] = STATE_SWAPPING,
        [COPY_AGAIN] = STATE_HOME,   [CHECK] = STATE_MOVED,
        [RUN] = STATE_COPYING,       [DECIDE_ALL] = STATE_HOME,
        [AREA] = STATE_HOME,         [CROP] = STATE_HOME,
        [DELIVER] = STATE_HOME,      [REPORT] = STATE_HOME,
        [GLANCE] = STATE_COPYING,    [REVIEW] = STATE_HOME};
    if (!made_holds(c, false))
        return false;
    bool second = c->op == COPY_SECOND ? holds(c, c->scene->second, STATE_COPYING, false) : true;
    bool times = c->folder_times && ((c->op >= MEASURE && c->op <= SHEET) || c->op > RUN) && c->op != GLANCE;
    /* Between two disks a file may be there twice, never not at all. */
    struct operation_check here = *c;
    here.two = c->two || is_far(c->op);
    return holds(&here, c->scene->session, states[c->op], times) && second;
}

static bool list_is(const struct scene *s, enum stage stage)
{
    const struct program_run list = {.engine = true,
                                     .args = {"list", s->session, "--frames", "--format", "csv"}};
    char *now = program_text(&list);
    bool same = now != NULL && strcmp(now, s->list[stage]) == 0;
    if (now != NULL && !same)
        fprintf(stderr, "  the list differs from that of an undisturbed run:\n%s", now);
    free(now);
    return same;
}

static bool check_copies(const struct scene *s)
{
    const struct program_run check = {.engine = true,
                                      .args = {"check", s->session, "--card", s->card, "--one-is-enough"}};
    return program_expect(&check, 0);
}

/* The sidecars, and what is prepared or kept of them, are those of an undisturbed run. */
static bool same_sidecars(const struct scene *s, enum operation op)
{
    /* An undo brings back what hand-on had prepared. */
    static const enum stage stages[] = {
        [HAND_ON] = STAGE_HANDED, [SIDECARS] = STAGE_SWAPPED, [UNDO_SIDECARS] = STAGE_HANDED};
    const char *wanted = s->stage[stages[op]];
    struct tree then, now;
    tree_read(&then, wanted, false);
    tree_read(&now, s->session, false);
    /* A new sidecar's time is that of its run. */
    for (size_t i = 0; i < then.n && then.n == now.n; i++)
        if (scene_is_new_sidecar(then.entry[i].path) ||
            (op == SIDECARS && scene_is_reject(then.entry[i].path)))
            then.entry[i].mtime_ns = now.entry[i].mtime_ns;
    bool same = tree_same(&then, &now, false, "beside an undisturbed run");
    tree_release(&then);
    tree_release(&now);
    return same;
}

/* Every frame is decided keep. */
static bool all_kept(const struct scene *s)
{
    const struct program_run list = {
        .engine = true, .args = {"list", s->session, "--frames", "--format", "csv", "--outcome", "keep"}};
    char *text = program_text(&list);
    int n = 0;
    for (const char *p = text; p != NULL && (p = strstr(p, ",keep,keep,")) != NULL; p++)
        n++;
    free(text);
    if (n != SCENE_FRAMES)
        fprintf(stderr, "  %d frames are decided keep, not %d\n", n, SCENE_FRAMES);
    return n == SCENE_FRAMES;
}

/* The area is there; twice where a run that failed had written it. */
static bool has_area(const struct scene *s)
{
    const struct program_run list = {.engine = true, .args = {"area", s->session}};
    char *text = program_text(&list);
    bool there = text != NULL && strstr(text, "  ignore  ") != NULL;
    if (text != NULL && !there)
        fprintf(stderr, "  the area is not there:\n%s", text);
    free(text);
    return there;
}

/* What the page was told is decided, is; of what it was not told whole records may count, as after any append
   that failed. */
static bool page_was_told_right(const struct scene *s)
{
    return !client_was_told() || list_is(s, STAGE_DECIDED);
}

static bool glance_is_right(const struct scene *s)
{
    const struct program_run glance = {.engine = true, .args = {"glance", s->card}};
    char *now = program_text(&glance);
    bool same = now != NULL && strcmp(now, s->glance) == 0;
    free(now);
    return same;
}

/* After a run that says it is done. */
bool operation_complete(const struct operation_check *done)
{
    /* Nothing is under way any more. */
    const struct operation_check check = {.scene = done->scene, .op = done->op, .grain_ns = done->grain_ns},
                                 *c = &check;
    const struct scene *s = c->scene;
    bool times = done->folder_times;
    enum operation op = done->op;
    switch (op) {
    case COPY_SECOND:
        if (!holds(c, s->second, STATE_HOME, false))
            return false;
        /* fall through */
    case COPY_AGAIN:
    case COPY:
        return holds(c, s->session, STATE_HOME, false) && check_copies(s);
    case MEASURE:
    case RANK:
        return holds(c, s->session, STATE_HOME, times) && invariants_catalogue(s->session) &&
               list_is(s, op == RANK ? STAGE_RANKED : STAGE_MEASURED);
    case DECIDE:
        return invariants_catalogue(s->session) && list_is(s, STAGE_DECIDED);
    case SHEET:
        return access(s->sheet, F_OK) == 0 && invariants_catalogue(s->session) && list_is(s, STAGE_RANKED);
    case MOVE:
        return holds(c, s->session, STATE_MOVED, false) && invariants_catalogue(s->session) &&
               list_is(s, STAGE_MOVED);
    case UNDO:
    case UNDO_FAR:
        return holds(c, s->session, STATE_HOME, times) && invariants_catalogue(s->session) &&
               list_is(s, STAGE_DECIDED);
    case MOVE_FAR:
        return holds(c, s->session, STATE_MOVED, false) && invariants_catalogue(s->session);
    case CHECK:
        return holds(c, s->session, STATE_MOVED, false) && invariants_catalogue(s->session);
    case RUN:
        return holds(c, s->session, STATE_HOME, false) && check_copies(s) &&
               invariants_catalogue(s->session) && list_is(s, STAGE_RANKED);
    case DECIDE_ALL:
        return holds(c, s->session, STATE_HOME, times) && invariants_catalogue(s->session) && all_kept(s);
    case AREA:
        return holds(c, s->session, STATE_HOME, times) && invariants_catalogue(s->session) && has_area(s);
    case CROP:
    case DELIVER:
        return holds(c, s->session, STATE_HOME, times) && invariants_catalogue(s->session) &&
               made_holds(c, true);
    case REPORT:
        return access(s->sheet, F_OK) == 0 && invariants_catalogue(s->session) && list_is(s, STAGE_KEPT);
    case GLANCE:
        return access(s->session, F_OK) != 0 && glance_is_right(s);
    case REVIEW:
        return holds(c, s->session, STATE_HOME, times) && invariants_catalogue(s->session) &&
               page_was_told_right(s);
    case HAND_ON:
    case SIDECARS:
    case UNDO_SIDECARS:
        return holds(c, s->session, STATE_SWAPPING, false) && same_sidecars(s, op);
    case DELETE:
        return holds(c, s->session, STATE_DELETED, false) && invariants_catalogue(s->session);
    default:
        return false;
    }
}

/* The number that the plan of a deletion prints last; -1 when it fails. */
static int planned(const struct scene *s)
{
    const struct program_run plan = {.args = {s->session, "--delete-rejects"}};
    char *text = program_text(&plan);
    const char *at = text != NULL ? strstr(text, "delete: ") : NULL;
    int count = at != NULL ? atoi(at + 8) : -1;
    free(text);
    return count;
}

bool operation_again(const struct operation_check *c)
{
    char count[16] = "6";
    if (c->op == DELETE) {
        int n = planned(c->scene);
        if (n < 0)
            return false;
        (void)snprintf(count, sizeof count, "%d", n);
    }
    if (c->op == SHEET || c->op == REPORT)
        (void)remove(c->scene->sheet); /* a finished one is not replaced */
    const struct program_run run = operation_command(c->scene, c->op, count);
    bool ok = program_expect(&run, 0);
    if (ok && c->op == REVIEW && !client_was_told())
        fprintf(stderr, "  the page did not take the decision\n");
    return ok && (c->op != REVIEW || client_was_told());
}

/* One run is put back, or two where the first moved a part. */
bool operation_taken_back(const struct operation_check *c)
{
    const struct operation_check quiet = {.scene = c->scene, .op = c->op, .grain_ns = c->grain_ns};
    const struct program_run undo = {.args = {c->scene->session, "--undo"},
                                     .other_disk = is_far(c->op) ? c->scene->away : NULL};
    return program_expect(&undo, 0) && program_expect(&undo, 0) &&
           holds(&quiet, c->scene->session, STATE_HOME, c->folder_times) &&
           invariants_catalogue(c->scene->session);
}
