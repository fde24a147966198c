/* Requests to the page of review: any bytes, against a session of two frames. The desk stays open from one
 * input to the next, as it does while a person works. */
#include "fuzz.h"

#include <stdio.h>
#include <stdlib.h>

#include "requests.h"

static struct fuzz_place place;
static struct desk desk;

static void close_desk(void)
{
    desk_close(&desk);
    fuzz_close(&place);
}

static void put_frame(struct catalogue *c, const char *identity, const char *path, uint32_t position)
{
    struct err err = ERR_INIT;
    int64_t id = 0;
    const struct catalogue_frame frame = {.identity = identity, .body = "A1", .orientation = 1};
    const struct catalogue_file file = {.path = path, .kind = "jpeg", .size = 7};
    fuzz_must(catalogue_put_frame(c, &frame, &id, &err) && catalogue_put_files(c, id, &file, 1, &err) &&
              catalogue_set_place(c, id, 1, position, 0, &err));
    const struct catalogue_choice choice = {
        .frame = id, .pass = 1, .rank = position + 1, .proposal = "keep", .reason = "sharpest"};
    fuzz_must(catalogue_put_choice(c, &choice, &err));
}

static void open_desk(void)
{
    struct err err = ERR_INIT;
    const struct catalogue_burst burst = {
        .number = 1, .body = "A1", .n_frames = 2, .n_passes = 1, .mode = "moving", .setup = 1, .stamp = "1"};
    fuzz_open(&place);
    struct catalogue *c = catalogue_open(&place.root, CATALOGUE_WRITE, &err);
    fuzz_must(c != NULL);
    put_frame(c, "A1 aa", "a.JPG", 0);
    put_frame(c, "A1 bb", "b.JPG", 1);
    fuzz_must(catalogue_put_bursts(c, &burst, 1, &err) && catalogue_set_burst_ranked(c, &burst, &err));
    catalogue_close(c);
    fuzz_must(desk_open(&desk, files_system(), place.path, NULL, NULL, &err));
    desk_set_port(&desk, 4711);
    (void)atexit(close_desk);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    if (desk.name == NULL)
        open_desk();
    (void)answer_bytes(&desk, bytes, size);
    return 0;
}
