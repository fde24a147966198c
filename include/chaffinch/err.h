/*
 * err.h - the one error idiom of chaffinch.
 *
 * Purpose: every function that can fail returns bool (true = success) or a pointer (NULL = failure) and takes
 * `struct err *err` as its last parameter. Libraries never print; the command decides what a person reads.
 *
 * Calling sequence:
 *     struct err err = ERR_INIT;
 *     if (!files_sync(fs, fd, "a.jpg", &err))
 *         return err_exit_status(&err);
 *
 * Messages: cause first, subject in single quotes, no capital, no full stop; they say what to do where the
 * user can do something: "cannot open 'a.jpg': no such file or directory". Control characters in names are
 * escaped.
 *
 * Ownership: a struct err owns nothing; it may be copied and thrown away. On success it is left untouched.
 */
#ifndef CHAFFINCH_ERR_H
#define CHAFFINCH_ERR_H

#include <stdbool.h>

enum err_code {
    ERR_NONE = 0,
    ERR_FILE = 10,        /* a single file is at fault; the batch goes on */
    ERR_USAGE = 20,       /* wrong arguments, no pictures, not measured yet */
    ERR_REFUSED = 30,     /* refused for safety: lock held, wrong count, newer catalogue, overlap */
    ERR_EXISTS = 31,      /* a name is taken and nothing is ever replaced */
    ERR_IO = 40,          /* the system refused a call */
    ERR_NO_SPACE = 41,    /* the target is full */
    ERR_NOT_FOUND = 42,   /* a name does not exist */
    ERR_NOMEM = 43,       /* memory ran out */
    ERR_INTERRUPTED = 44, /* a signal asked to stop; the next run resumes */
    ERR_DAMAGED = 50,     /* the catalogue or a log is damaged */
    ERR_FORMAT = 60       /* foreign bytes that cannot be understood */
};

enum { ERR_MESSAGE_SIZE = 640 };

struct err {
    enum err_code code;
    int sys; /* errno of the failed call, 0 if none */
    char message[ERR_MESSAGE_SIZE];
};

#define ERR_INIT                                                                                             \
    {                                                                                                        \
        .code = ERR_NONE                                                                                     \
    }

/* Fills err (which may be NULL) and returns false, so that `return err_set(...)` reads well. */
bool err_set(struct err *err, enum err_code code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* As err_set for a failed system call: "cannot CALL 'NAME': strerror". Takes errno as it is on entry and
   chooses the code from it (ENOSPC and EDQUOT: ERR_NO_SPACE; ENOENT: ERR_NOT_FOUND; EEXIST: ERR_EXISTS;
   ENOMEM: ERR_NOMEM; else ERR_IO). `name` may hold any bytes; it is escaped. Returns false. */
bool err_sys(struct err *err, const char *call, const char *name);

/* "out of memory" with ERR_NOMEM. Returns false. */
bool err_nomem(struct err *err);

/* Puts "PREFIX: " before the message that is there. Returns false. */
bool err_wrap(struct err *err, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* The documented exit status of a command that ends with this error: 0 none, 1 file and format, 2 usage, 3
   refused and exists, 4 I/O, 5 damaged. */
int err_exit_status(const struct err *err);

/* Copies `name` to `out` (size `room` > 4), control characters, quotes, backslashes and bytes that are not
   UTF-8 as \xHH, cut with "..." where it does not fit. Returns `out`. Never fails. */
char *err_escape(char *out, unsigned long room, const char *name);

/* The same for a path in a command that a message tells to type: one word for the shell, with a backslash
   before what means something to it, so that it can be pasted. */
char *err_word(char *out, unsigned long room, const char *path);

#endif
