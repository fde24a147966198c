/*
 * limits.c - what a worker may not do: take memory without end, run for ever, open anything.
 *
 * Sanitizers map terabytes of address space and make calls of their own, so builds with them have neither the
 * memory limit nor the filter of system calls; `worker_limits_text` says so.
 */
#include <stdio.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <fcntl.h>
#include <unistd.h>

#include "child.h"

#ifndef CHAFFINCH_SANITIZED
#include <errno.h>
#include <seccomp.h>

/* Memory, time, descriptors that are there, and the end. Nothing that opens, connects, forks or executes:
   those fail with EPERM, as libraries must cope with a file that cannot be opened (time zones, locales). */
static bool allow_plain_calls(scmp_filter_ctx filter)
{
    static const int calls[] = {
        SCMP_SYS(read),         SCMP_SYS(readv),
        SCMP_SYS(pread64),      SCMP_SYS(write),
        SCMP_SYS(writev),       SCMP_SYS(recvmsg),
        SCMP_SYS(recvfrom),     SCMP_SYS(sendmsg),
        SCMP_SYS(sendto),       SCMP_SYS(close),
        SCMP_SYS(fstat),        SCMP_SYS(lseek),
        SCMP_SYS(munmap),       SCMP_SYS(mremap),
        SCMP_SYS(brk),          SCMP_SYS(madvise),
        SCMP_SYS(futex),        SCMP_SYS(clock_gettime),
        SCMP_SYS(clock_getres), SCMP_SYS(gettimeofday),
        SCMP_SYS(nanosleep),    SCMP_SYS(clock_nanosleep),
        SCMP_SYS(getrandom),    SCMP_SYS(getrusage),
        SCMP_SYS(getpid),       SCMP_SYS(gettid),
        SCMP_SYS(sched_yield),  SCMP_SYS(sched_getaffinity),
        SCMP_SYS(rt_sigaction), SCMP_SYS(rt_sigprocmask),
        SCMP_SYS(rt_sigreturn), SCMP_SYS(restart_syscall),
        SCMP_SYS(exit),         SCMP_SYS(exit_group),
    };
    for (size_t i = 0; i < sizeof calls / sizeof calls[0]; i++)
        if (seccomp_rule_add(filter, SCMP_ACT_ALLOW, calls[i], 0) != 0)
            return false;
    return true;
}

/* Calls that are allowed in one form only. */
static bool allow_narrow_calls(scmp_filter_ctx filter)
{
    const scmp_datum_t self = (scmp_datum_t)getpid();
    int bad = 0;
    /* no memory that is or becomes executable */
    bad |= seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(mmap), 1,
                            SCMP_A2(SCMP_CMP_MASKED_EQ, PROT_EXEC, 0));
    bad |= seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(mprotect), 1,
                            SCMP_A2(SCMP_CMP_MASKED_EQ, PROT_EXEC, 0));
    /* fstat in the shape that the C library gives it */
    bad |= seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(newfstatat), 1,
                            SCMP_A3(SCMP_CMP_EQ, AT_EMPTY_PATH, 0));
    bad |= seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(fcntl), 1, SCMP_A1(SCMP_CMP_EQ, F_GETFL, 0));
    /* abort and raise */
    bad |= seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(tgkill), 1, SCMP_A0(SCMP_CMP_EQ, self, 0));
    /* its own limit of processor time, moved on for each job; the parent's clock holds in any case */
    bad |= seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(prlimit64), 2, SCMP_A0(SCMP_CMP_EQ, 0, 0),
                            SCMP_A1(SCMP_CMP_EQ, RLIMIT_CPU, 0));
    return bad == 0;
}

static bool filter_calls(void)
{
    scmp_filter_ctx filter = seccomp_init(SCMP_ACT_ERRNO(EPERM));
    if (filter == NULL)
        return false;
    bool ok = allow_plain_calls(filter) && allow_narrow_calls(filter) && seccomp_load(filter) == 0;
    seccomp_release(filter);
    return ok;
}

static bool limit_memory(uint64_t bytes)
{
    const struct rlimit memory = {bytes, bytes}, none = {0, 0};
    setrlimit(RLIMIT_FSIZE, &none); /* no file grows, whatever a parser does */
    return setrlimit(RLIMIT_AS, &memory) == 0;
}
#else
static bool filter_calls(void)
{
    return false;
}

static bool limit_memory(uint64_t bytes)
{
    (void)bytes;
    return false;
}
#endif

unsigned limits_apply(const struct worker_config *config)
{
    const struct rlimit none = {0, 0};
    unsigned limits = 0;
    setrlimit(RLIMIT_CORE, &none);
    limits_allow_job(config->wall_s);
    if (limit_memory(config->memory_bytes))
        limits |= WIRE_HAS_MEMORY_LIMIT;
    if (filter_calls())
        limits |= WIRE_HAS_SECCOMP;
    return limits;
}

void limits_allow_job(unsigned wall_s)
{
    struct rusage used;
    struct rlimit cpu;
    if (getrusage(RUSAGE_SELF, &used) != 0 || getrlimit(RLIMIT_CPU, &cpu) != 0)
        return;
    rlim_t soft = (rlim_t)used.ru_utime.tv_sec + (rlim_t)used.ru_stime.tv_sec + 2 + wall_s;
    cpu.rlim_cur = soft < cpu.rlim_max ? soft : cpu.rlim_max;
    setrlimit(RLIMIT_CPU, &cpu);
}

void limits_describe_memory(char *text, size_t room, uint64_t bytes)
{
    const uint64_t mib = bytes >> 20;
    if (mib % 1024 == 0)
        snprintf(text, room, "%llu GiB", (unsigned long long)(mib / 1024));
    else
        snprintf(text, room, "%llu MiB", (unsigned long long)mib);
}

void limits_describe(char *text, size_t room, const struct worker_config *config, unsigned limits)
{
    char memory[32];
    limits_describe_memory(memory, sizeof memory, config->memory_bytes);
#ifdef CHAFFINCH_SANITIZED
    const char *why = " (sanitizer build)";
#else
    const char *why = " (refused by this system)";
#endif
    bool has_memory = limits & WIRE_HAS_MEMORY_LIMIT, has_seccomp = limits & WIRE_HAS_SECCOMP;
    snprintf(text, room, "%s%s, %u s, %s%s", has_memory ? "memory " : "no memory limit",
             has_memory ? memory : why, config->wall_s, has_seccomp ? "seccomp" : "no seccomp",
             has_seccomp ? "" : why);
}
