/* reason.c - the words for what was proposed and why. */
#include "score.h"

#include <math.h>
#include <string.h>

struct word {
    const char *token, *sentence;
};

static const struct word word[RANK_REASONS] = {
    [0] = {"", ""},
    [RANK_SHARPEST] = {"sharpest", "The sharpest complete frame of its pass."},
    [RANK_SHARP_SET] = {"sharp-set", "As sharp as the best of its pass, as far as the eye can tell."},
    [RANK_NEAR_TWIN] = {"near-twin", "As sharp as a frame that stays, and too much like it to need both."},
    [RANK_SOFT] = {"soft", "Less sharp than the best of its pass."},
    [RANK_CUT] = {"cut", "The edge of the frame cuts the subject."},
    [RANK_NO_SUBJECT] = {"no-subject", "Nothing but the empty scene was found."},
    [RANK_AT_REST] = {"at-rest", "The subject sits still here, while it flies in other frames."},
    [RANK_HIDDEN] = {"hidden", "Part of the subject is behind something."},
    [RANK_NOTHING_SHARP] = {"nothing-sharp", "No frame of this pass is sharp enough to keep."},
    [RANK_CAMERA_MARK] = {"camera-mark", "Protected or rated in the camera."},
    [RANK_UNREADABLE] = {"unreadable", "None of its pictures could be decoded."},
    [RANK_FORMAT] = {"format", "A file format that is not scored."},
    [RANK_TOO_FEW] = {"too-few", "Too few frames in the burst to tell the subject from the scene."},
    [RANK_NOT_SCORED] = {"not-scored", "It was not scored."},
    [RANK_NOT_SURE] = {"not-sure", "The engine cannot judge this one: please look."},
};

const char *rank_reason_token(enum rank_reason reason)
{
    return reason > 0 && reason < RANK_REASONS ? word[reason].token : "";
}

enum rank_reason rank_reason_of_token(const char *token)
{
    for (int r = 1; r < RANK_REASONS; r++)
        if (strcmp(word[r].token, token) == 0)
            return (enum rank_reason)r;
    return RANK_REASONS;
}

const char *rank_reason_sentence(enum rank_reason reason)
{
    return reason > 0 && reason < RANK_REASONS ? word[reason].sentence : "";
}

const char *rank_proposal_token(enum rank_proposal proposal)
{
    return proposal == RANK_KEEP ? "keep" : proposal == RANK_REJECT ? "reject" : "none";
}

enum rank_proposal rank_proposal_of_token(const char *token)
{
    return strcmp(token, "keep") == 0 ? RANK_KEEP : strcmp(token, "reject") == 0 ? RANK_REJECT : RANK_NONE;
}

uint32_t rank_good_to_px(double blur_px, uint32_t long_edge_px)
{
    const double unseen_px = 0.7; /* a radius that no eye tells from sharp at 1:1 */
    if (!(blur_px > unseen_px))
        return isnan(blur_px) ? 0 : long_edge_px;
    return (uint32_t)((double)long_edge_px * unseen_px / blur_px);
}
