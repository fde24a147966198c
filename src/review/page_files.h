/* page_files.h - the files of src/review/page, carried in the program. Made by scripts/embed. */
#ifndef CHAFFINCH_REVIEW_PAGE_FILES_H
#define CHAFFINCH_REVIEW_PAGE_FILES_H

#include <stddef.h>
#include <string.h>

struct page_file {
    const char *name;
    const char *type; /* Content-Type */
    const unsigned char *bytes;
    size_t size;
};
extern const struct page_file page_files[]; /* the last one has no name */

static inline const struct page_file *page_file_find(const char *name)
{
    for (const struct page_file *f = page_files; f->name != NULL; f++)
        if (strcmp(f->name, name) == 0)
            return f;
    return NULL;
}

#endif
