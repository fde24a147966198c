#include "erase.h"

#include "carry.h"
#include "look.h"
#include "step.h"

static bool erase_file(struct act *act, struct run_file *file, struct err *cause)
{
    /* Looked at once more: reading a large file takes a while. */
    if (!look_source(act, file, cause) || !step_remove(act, file->from_fd, file->from_name, cause))
        return false;
    file->stand = LOOK_GONE;
    file->where = WHERE_GONE;
    return true;
}

bool erase_frame(struct act *act, struct run_frame *frame, struct err *cause)
{
    struct run_file *files = &act->run->files[frame->first];
    for (size_t i = 0; i < frame->n; i++) {
        if (files[i].stand == LOOK_GONE)
            files[i].where = WHERE_GONE;
        else if (!carry_verify(act, &files[i], files[i].from_fd, files[i].from_name, cause))
            return false;
    }
    for (int pictures = 0; pictures < 2; pictures++)
        for (size_t i = 0; i < frame->n; i++)
            if (files[i].stand != LOOK_GONE && files[i].picture == (pictures == 1) &&
                !erase_file(act, &files[i], cause))
                return false;
    return true;
}
