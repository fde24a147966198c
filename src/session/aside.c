#include "aside.h"

static void *run(void *context)
{
    struct aside *aside = context;
    aside->ok = aside->work(aside->context, &aside->err);
    atomic_store(&aside->done, true);
    return NULL;
}

void aside_begin(struct aside *aside, aside_work *work, void *context, bool threaded)
{
    aside->work = work;
    aside->context = context;
    aside->err = (struct err)ERR_INIT;
    aside->busy = true;
    atomic_store(&aside->done, false);
    aside->threaded = threaded && pthread_create(&aside->thread, NULL, run, aside) == 0;
    if (!aside->threaded)
        (void)run(aside);
}

bool aside_is_done(struct aside *aside)
{
    return atomic_load(&aside->done);
}

bool aside_end(struct aside *aside, struct err *err)
{
    if (aside->threaded)
        (void)pthread_join(aside->thread, NULL);
    aside->busy = aside->threaded = false;
    if (!aside->ok && err != NULL)
        *err = aside->err;
    return aside->ok;
}
