/*
 * The corpora of a fuzz target as a plain test: fixtures, bombs, seeded mutations of both, texts, and every
 * file of fixtures/fuzz/TARGET (inputs that once went wrong). Deterministic; no fuzzer needed.
 *
 *     replay_TARGET [MUTATIONS]        default 300
 *     replay_TARGET --seeds DIR        only writes the inputs to DIR, as a corpus for libFuzzer
 */
#include "fuzz.h"

#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "../torture/mutate.h"
#include "chaffinch/str.h"

static const char *const texts[] = {
    "_DSC0001.JPG\n_DSC0001.NEF\n_DSC0001.xmp\n_DSC0001.NEF.xmp\n._DSC0001.JPG\n",
    "IMG_1.JPG\nimg_1.jpg\nIMG_1.JPG.xmp\nIMG_1.WAV\nMVI_0009.MOV\n",
    "2026:05:01 07:30:15\n042\n+02:00\n",
    "Example Demo-1 0123456789abcdef0123456789abcdef\tkeep\tdemo\t1777613400000000000\n",
    "Example Demo-1 0123456789abcdef0123456789abcdef\taccept\tdemo\t1777613400000000000\treject\n",
    "plan\t1\tmove\t1777613400\nfolder\t0\tDCIM\nframe\t0\nfile\t0\t1\nplanned\t1\nbatch\t0\ndone\t0\n",
    "x0123456789abcdef0123456789abcdef  DCIM/100DEMOS/_DSC0001.JPG\n",
    "y0123456789abcdef0123456789abcdef  DCIM/odd\nname.JPG\0z",
    "swallow\tkeep\tbcac97eb40294396\n",
    "swallow\tkeep\tbcac97eb40294396\nswal\\cut\nswallow\tkeep\tbcac97eb40294396\n",
};

struct corpus {
    const char *out; /* NULL = run them */
    long inputs;
};

static void give(struct corpus *c, const uint8_t *bytes, size_t size)
{
    if (c->out == NULL)
        (void)LLVMFuzzerTestOneInput(bytes, size);
    else {
        char *path = str_make(NULL, "%s/%06ld", c->out, c->inputs);
        int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
        fuzz_must(fd >= 0 && write(fd, bytes, size) == (ssize_t)size && close(fd) == 0);
        free(path);
    }
    c->inputs++;
}

/* As it is, and behind a byte that picks a kind. */
static void give_both(struct corpus *c, const uint8_t *bytes, size_t size, uint8_t first)
{
    uint8_t *more = malloc(size + 1);
    fuzz_must(more != NULL);
    more[0] = first;
    memcpy(more + 1, bytes, size);
    give(c, bytes, size);
    give(c, more, size + 1);
    free(more);
}

static void give_mutations(struct corpus *c, const struct fixtures *f, long n)
{
    for (size_t i = 0; i < f->n; i++)
        give_both(c, f->at[i].bytes, f->at[i].size, f->at[i].raw);
    for (long seed = 0; seed < n; seed++) {
        size_t size;
        const struct fixture *x = &f->at[(size_t)seed % f->n];
        uint8_t *bytes = mutate(x, (uint32_t)seed, &size);
        give_both(c, bytes, size, x->raw);
        free(bytes);
    }
}

static void give_folder(struct corpus *c, const char *name)
{
    char *folder = str_make(NULL, "fixtures/fuzz/%s", name);
    DIR *d = opendir(folder);
    for (struct dirent *e; d != NULL && (e = readdir(d)) != NULL;) {
        struct stat st;
        int fd = openat(dirfd(d), e->d_name, O_RDONLY | O_CLOEXEC);
        if (fd >= 0 && fstat(fd, &st) == 0 && S_ISREG(st.st_mode)) {
            uint8_t *bytes = malloc((size_t)st.st_size + 1);
            fuzz_must(bytes != NULL && read(fd, bytes, (size_t)st.st_size) == st.st_size);
            give(c, bytes, (size_t)st.st_size);
            free(bytes);
        }
        (void)close(fd);
    }
    if (d != NULL)
        (void)closedir(d);
    free(folder);
}

int main(int argc, char **argv)
{
    const char *slash = strrchr(argv[0], '/'), *name = slash != NULL ? slash + 1 : argv[0];
    bool seeds = argc > 2 && strcmp(argv[1], "--seeds") == 0;
    struct corpus c = {.out = seeds ? argv[2] : NULL};
    long n = seeds ? 50 : argc > 1 ? atol(argv[1]) : 300;
    static struct fixtures f;
    struct fixtures lines = {.n = sizeof texts / sizeof texts[0]};
    for (size_t i = 0; i < lines.n; i++)
        lines.at[i] = (struct fixture){.bytes = (uint8_t *)(uintptr_t)texts[i], .size = strlen(texts[i])};
    give_mutations(&c, &lines, n);
    fixtures_make(&f);
    give_mutations(&c, &f, n);
    fixtures_release(&f);
    fixtures_make_bombs(&f);
    give_mutations(&c, &f, n / 2);
    fixtures_release(&f);
    give_folder(&c, strncmp(name, "replay_", 7) == 0 ? name + 7 : name);
    printf("%s: %ld inputs%s\n", name, c.inputs, seeds ? " written" : ", none went wrong");
    return 0;
}
