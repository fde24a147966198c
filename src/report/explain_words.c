/* Plain sentences with numbers, the verdict first. Each starts on a line of its own, so that a person finds
   the one in question. */
#include "explain.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

#include "text.h"

struct words {
    struct str *out;
    const struct explain_facts *facts;
    const struct catalogue_row *row;
    const char *session;
};

/* "0.017 s" */
static void say_seconds(struct str *out, int64_t ns)
{
    text_append_number(out, (double)ns / 1e9, 3);
    str_append(out, " s");
}

static void say_place(const struct words *w)
{
    const struct catalogue_frame *frame = &w->row->frame;
    char time[TEXT_TIME_SIZE];
    text_append_name(w->out, text_path(w->row));
    if (frame->burst > 0)
        str_printf(w->out, " is frame %" PRIu32 " of %" PRIu32 " in burst %" PRId64, frame->position + 1,
                   w->facts->burst_frames, frame->burst);
    else
        str_append(w->out, " belongs to no burst yet");
    if (frame->has_time)
        str_printf(w->out, ", taken %s", text_time(time, frame));
    else
        str_append(w->out, ", without a time");
    if (frame->burst > 0 && frame->has_time && frame->position > 0 && !frame->missing) {
        str_append(w->out, ", ");
        say_seconds(w->out, frame->estimated_ns - w->facts->start_ns);
        str_append(w->out, " into it");
    }
    str_append(w->out, ".\n");
    if (frame->missing)
        str_append(w->out, "Its files are gone; what was known of it is kept.\n");
}

static void say_state(const struct words *w)
{
    const struct catalogue_frame *frame = &w->row->frame;
    if (strcmp(frame->state, "new") == 0) {
        str_append(w->out, "It is not measured yet: type 'chaffinch measure ");
        str_append(w->out, w->session);
        str_append(w->out, "' first.\n");
    } else if (strcmp(frame->state, "unreadable") == 0 && frame->cause[0] != '\0')
        str_printf(w->out, "It cannot be read: %s.\n", frame->cause);
    else if (frame->cause[0] != '\0')
        str_printf(w->out, "Worth knowing: %s.\n", frame->cause);
    if (strcmp(frame->state, "measured") == 0 && frame->judged_width_px > 0 &&
        frame->judged_width_px != frame->width_px)
        str_printf(w->out,
                   "It was judged on %" PRIu32 " x %" PRIu32 " px (%s); the frame has %" PRIu32 " x %" PRIu32
                   " px, so the finest detail was not seen.\n",
                   frame->judged_width_px, frame->judged_height_px,
                   strcmp(frame->judged_on, "half") == 0 ? "the raw decoded at half size"
                                                         : "the preview within the raw",
                   frame->width_px, frame->height_px);
    if (strcmp(frame->state, "measured") == 0 && frame->decoded <= 0)
        str_append(w->out, "Its thumbnail shows nothing that moves, so the picture itself was not decoded; "
                           "'chaffinch measure SESSION --all' would.\n");
    else if (strcmp(frame->state, "measured") == 0 && frame->decoded < 1)
        str_printf(w->out, "%.0f %% of the picture was decoded, around what moves in its thumbnail.\n",
                   100 * frame->decoded);
}

static void say_pass(const struct words *w)
{
    const struct explain_facts *facts = w->facts;
    const struct catalogue_row *row = w->row;
    if (row->choice.pass == 0 || !text_has_subject(row))
        return;
    str_printf(w->out, "It belongs to pass %" PRIu32 " of %" PRIu32 "%s, which has ", row->choice.pass,
               facts->burst_passes, facts->perch ? " (the subject rests in most frames: a portrait)" : "");
    text_append_count(w->out, facts->pass_frames, "frame");
    str_printf(w->out, ", %" PRIu32 " of them complete and scored; ", facts->ranked);
    if (row->choice.rank > facts->ranked)
        str_printf(w->out, "its rank is %" PRIu32 ", counted with frames that stand for another subject",
                   row->choice.rank);
    else if (row->choice.rank > 0)
        str_printf(w->out, "among those its rank is %" PRIu32 " of %" PRIu32, row->choice.rank,
                   facts->ranked);
    else
        str_append(w->out, "it has no rank among those");
    str_printf(w->out, ". %" PRIu32 " of the pass %s kept.\n", facts->kept, facts->kept == 1 ? "is" : "are");
    if (row->n_items > 1)
        str_printf(w->out,
                   "%" PRIu32 " subjects are in this frame; the numbers are those of pass %" PRIu32 ".\n",
                   row->n_items, row->choice.pass);
}

static void say_blur(const struct words *w)
{
    const struct catalogue_item *item = &w->row->item;
    uint32_t long_edge = text_long_edge(&w->row->frame), good = 0;
    if (!text_blur_known(item)) {
        str_append(w->out, "Its blur is not known: the noise is too strong, or the subject has too little "
                           "detail, to tell.\n");
        return;
    }
    good = rank_good_to_px(item->blur_px, long_edge);
    str_append(w->out, "Its blur is ");
    text_append_number(w->out, item->blur_px, 2);
    str_append(w->out, " px (between ");
    text_append_number(w->out, item->blur_low_px, 2);
    str_append(w->out, " and ");
    text_append_number(w->out, item->blur_high_px, 2);
    str_append(w->out, " px, one standard error either way): ");
    if (good >= long_edge)
        str_printf(w->out, "it looks sharp at its full %" PRIu32 " px.\n", long_edge);
    else
        str_printf(w->out, "good to %" PRIu32 " px on the long edge, of %" PRIu32 ".\n", good, long_edge);
}

static void say_against_best(const struct words *w)
{
    const struct explain_other *best = &w->facts->best;
    const struct catalogue_item *item = &w->row->item;
    if (best->path == NULL)
        return;
    str_append(w->out, "The best of the pass is ");
    text_append_name(w->out, best->path);
    str_append(w->out, " with score ");
    text_append_number(w->out, best->score, 3);
    if (isfinite(best->blur_px)) {
        str_append(w->out, " and blur ");
        text_append_number(w->out, best->blur_px, 2);
        str_append(w->out, " px");
    }
    if (text_blur_known(item) && isfinite(best->blur_px)) {
        double more = item->blur_px - best->blur_px;
        str_append(w->out, more < 0 ? "; this one has " : "; this one has ");
        text_append_number(w->out, fabs(more), 2);
        str_append(w->out, more < 0 ? " px less" : " px more");
    }
    str_append(w->out, ".\n");
}

static void say_measures(const struct words *w)
{
    const struct explain_other *best = &w->facts->best;
    const struct catalogue_item *item = &w->row->item;
    str_append(w->out, "Its score is ");
    text_append_number(w->out, item->score, 3);
    str_append(w->out,
               " (higher is sharper, comparable within the pass only). Over the subject the variance of "
               "Laplacian is ");
    text_append_number(w->out, item->laplacian_variance, 1);
    str_append(w->out, " and the Tenengrad ");
    text_append_number(w->out, item->tenengrad, 1);
    if (best->path != NULL) {
        str_append(w->out, "; those of the best are ");
        text_append_number(w->out, best->laplacian_variance, 1);
        str_append(w->out, " and ");
        text_append_number(w->out, best->tenengrad, 1);
    }
    str_append(w->out, ".\n");
}

static void say_subject(const struct words *w)
{
    const struct catalogue_item *item = &w->row->item;
    if (!text_has_subject(w->row)) {
        str_append(w->out, "No subject was told from the scene, so the frame was measured as a whole.\n");
        say_blur(w);
        return;
    }
    str_printf(w->out,
               "The subject takes %" PRIu32 " x %" PRIu32 " px, its corner %" PRIu32 " px from the left and "
               "%" PRIu32 " px from the top of the stored picture.\n",
               item->w_px, item->h_px, item->x_px, item->y_px);
    if (item->flags & RANK_F_CUT)
        str_append(w->out, "The edge of the frame cuts it.\n");
    if (item->flags & RANK_F_HIDDEN)
        str_append(w->out, "Something stands before a part of it.\n");
    if (item->flags & RANK_F_AT_REST)
        str_append(w->out, "It is at rest here.\n");
    if (item->flags & RANK_F_PIECE)
        str_append(w->out,
                   "It looks smaller here than in the frames around, or is where scenery moves by itself: "
                   "perhaps only a piece of it was found, so it was not kept.\n");
    if (item->flags & RANK_F_UNSURE)
        str_append(w->out, "Where exactly it is could not be told for sure.\n");
    say_blur(w);
    say_against_best(w);
    say_measures(w);
    explain_parts(w->out, item);
}

static void say_proposal(const struct words *w)
{
    enum rank_reason reason = text_reason(w->row);
    const struct explain_other *twin = &w->facts->twin;
    const char *proposal = text_proposal(w->row);
    str_printf(w->out, "Proposal: %s", strcmp(proposal, "none") == 0 ? "none, for your eyes" : proposal);
    str_printf(w->out, " (%s). %s", rank_reason_token(reason), rank_reason_sentence(reason));
    if (reason == RANK_CAMERA_MARK && strcmp(proposal, "keep") != 0)
        str_append(w->out, " The mark wins over the proposal.");
    if (reason == RANK_NEAR_TWIN && twin->path != NULL) {
        str_append(w->out, " The kept frame nearest in time is ");
        text_append_name(w->out, twin->path);
        str_append(w->out, ", ");
        say_seconds(w->out, twin->apart_ns < 0 ? -twin->apart_ns : twin->apart_ns);
        str_append(w->out, twin->apart_ns < 0 ? " earlier." : " later.");
    }
    if (reason == RANK_TOO_FEW)
        str_printf(w->out, " This one has %" PRIu32 ", and at least 5 are needed.", w->facts->burst_frames);
    str_append_char(w->out, '\n');
}

static void say_rule(const struct words *w)
{
    struct str rule = STR_INIT;
    if (explain_rule(&rule, w->facts, w->row) && str_ok(&rule, NULL))
        str_printf(w->out, "The rule: %s\n", rule.bytes);
    str_release(&rule);
}

struct history {
    struct str *out;
    uint32_t n;
};

static bool say_decided(void *context, const struct catalogue_decided *decided, struct err *err)
{
    struct history *history = context;
    const struct catalogue_frame at = {.has_time = true, .time_ns = decided->at_ns, .has_offset = true};
    char time[TEXT_TIME_SIZE];
    (void)err;
    history->n++;
    str_printf(history->out, "  %s  %s by ", text_time(time, &at),
               decided->decision == CATALOGUE_UNDECIDED ? "cleared" : text_decision(decided->decision));
    text_append_name(history->out, decided->who);
    str_append(history->out, decided->undone ? ", taken back since\n" : "\n");
    return true;
}

static bool say_decision(struct catalogue *c, const struct words *w, struct err *err)
{
    const struct catalogue_row *row = w->row;
    struct str lines = STR_INIT;
    struct history history = {.out = &lines};
    if (row->decision == CATALOGUE_UNDECIDED)
        str_append(w->out, "Decision: none yet.\n");
    else
        str_printf(w->out, "Decision: %s, %s.\n", text_decision(row->decision),
                   row->decided_in_camera ? "by a mark made in the camera (protected or rated)"
                                          : "by a person; it always wins over the proposal");
    if (row->accepted)
        str_printf(w->out, "A person accepted the proposals of burst %" PRId64 ".\n", row->frame.burst);
    bool ok = catalogue_history(c, row->frame.id, say_decided, &history, err) && str_ok(&lines, err);
    if (ok && history.n > 0)
        str_printf(w->out, "What was decided, and when (UTC):\n%s", lines.bytes);
    str_release(&lines);
    return ok;
}

/* What becomes of the frame: a command is named only where it would move something. */
static void say_outcome(const struct words *w)
{
    const char *outcome = w->row->outcome;
    bool reject = strcmp(outcome, "reject") == 0, away = w->facts->away;
    str_printf(w->out, "Outcome: %s.", outcome);
    if (w->row->frame.missing)
        str_append(w->out, "\n");
    else if (reject && away)
        str_append(w->out, " It was moved out already.\n");
    else if (!reject && !away)
        str_append(w->out, " It stays where it is.\n");
    else
        str_printf(w->out, " 'chaffinch-apply %s --move' %s.\n", w->session,
                   reject ? "puts it into the folder of rejects" : "brings it back");
}

static bool say_file(void *context, const struct catalogue_file *file, struct err *err)
{
    struct str *out = context;
    (void)err;
    str_append(out, "  ");
    text_append_name(out, file->path);
    str_printf(out, "  %s, %" PRIu64 " bytes", file->kind, file->size);
    if (file->home != NULL) {
        str_append(out, ", moved from ");
        text_append_name(out, file->home);
    }
    str_append(out, file->missing ? ", gone\n" : "\n");
    return true;
}

bool explain_sentences(struct catalogue *c, const struct explain_facts *facts,
                       const struct catalogue_row *row, const char *session, struct str *out, struct err *err)
{
    char word[1200];
    const struct words w = {out, facts, row, err_word(word, sizeof word, session)};
    say_place(&w);
    say_outcome(&w);
    say_proposal(&w);
    if (row->choice.proposal[0] != '\0')
        say_rule(&w);
    if (!say_decision(c, &w, err))
        return false;
    say_state(&w);
    say_pass(&w);
    if (row->has_item)
        say_subject(&w);
    else if (strcmp(row->frame.state, "measured") == 0 && row->choice.proposal[0] != '\0')
        str_append(out, "No subject was found in it.\n");
    explain_neighbours(out, facts);
    str_append(out, "Its files, where they lie now:\n");
    return catalogue_each_file(c, row->frame.id, say_file, out, err) && str_ok(out, err);
}
