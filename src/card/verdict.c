/* What a person is told at the end: kinds, disks, and whether the card may be formatted. */
#include <string.h>
#include <strings.h>

#include "chaffinch/card.h"
#include "chaffinch/frame.h"

/* Moving pictures, by their usual names. */
static const char *const clip_extensions[] = {"mp4", "mov",  "m4v", "avi",  "mts", "m2ts",
                                              "mxf", "mkv",  "mpg", "mpeg", "3gp", "wmv",
                                              "crm", "braw", "r3d", "insv", "360"};

static bool one_of(const char *extension, const char *const *list, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (strcasecmp(extension, list[i]) == 0)
            return true;
    return false;
}

enum card_kind card_kind_of_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    const char *leaf = slash != NULL ? slash + 1 : path;
    const char *dot = strrchr(leaf, '.');
    if (dot == NULL || dot == leaf || strncmp(leaf, "._", 2) == 0)
        return CARD_OTHER;
    if (frame_kind_is_picture(frame_kind_of_name(leaf)))
        return CARD_PICTURE;
    return one_of(dot + 1, clip_extensions, sizeof clip_extensions / sizeof clip_extensions[0]) ? CARD_CLIP
                                                                                                : CARD_OTHER;
}

static void append_count(struct str *out, uint64_t n, const char *one, const char *many)
{
    char digits[32];
    str_printf(out, "%s %s", log_count(n, digits), n == 1 ? one : many);
}

/* The last half of the sentence: what to do with the card. */
static void append_advice(const struct card_report *r, struct str *out)
{
    char n[32];
    if (r->interrupted)
        str_append(out, "; interrupted: keep the card");
    else if (r->n_trouble > 0)
        str_printf(out, "; %s %s not: keep the card", log_count(r->n_trouble, n),
                   r->n_trouble == 1 ? "file is" : "files are");
    else if (r->on_card)
        str_append(out, ", but a copy lies on the card itself: keep the card");
    else if (r->disks < 2 && !r->one_is_enough)
        str_append(out, ": keep the card until a second copy exists");
    else if (r->card_seen)
        str_append(out, ": the card may be formatted");
    else
        str_append(out, " (the card was not compared: add --card CARD)");
}

void card_verdict(const struct card_report *report, struct str *out)
{
    append_count(out, report->verified[CARD_PICTURE], "picture", "pictures");
    str_append(out, ", ");
    append_count(out, report->verified[CARD_CLIP], "clip", "clips");
    str_append(out, ", ");
    append_count(out, report->verified[CARD_OTHER], "other file", "other files");
    if (report->disks > 1)
        str_printf(out, " verified on %u different disks", (unsigned)report->disks);
    else
        str_append(out, " verified on 1 disk");
    append_advice(report, out);
}

int card_exit_status(const struct card_report *report, const struct err *err)
{
    if (err != NULL && err->code != ERR_NONE)
        return err_exit_status(err);
    if (report->second_failed || report->interrupted)
        return 4;
    return report->n_trouble > 0 ? 1 : 0;
}
