#include "packet.h"

#include <string.h>

#include <exempi-2.0/exempi/xmp.h>
#include <exempi-2.0/exempi/xmpconsts.h>
#include <exempi-2.0/exempi/xmperrors.h>

enum { RATING_MIN = -1, RATING_MAX = 5, PACKET_BYTES_MAX = 1 << 20 };

/* xmp:Rating is a Real: "3", "-1.0". The part before the dot counts. */
static int parse_rating(const char *text)
{
    int sign = *text == '-' ? -1 : 1;
    text += *text == '-' || *text == '+';
    if (text[0] < '0' || text[0] > '9' || (text[1] != '\0' && text[1] != '.'))
        return 0;
    int rating = sign * (text[0] - '0');
    return rating >= RATING_MIN && rating <= RATING_MAX ? rating : 0;
}

/* std::bad_alloc reaches C as the first of these. */
static bool ran_out_of_memory(void)
{
    int code = xmp_get_error();
    return code == XMPErr_StdException || code == XMPErr_UnknownException || code == XMPErr_NoMemory;
}

/* False = out of memory. */
static bool take_rating(XmpPtr xmp, XmpStringPtr value, const uint8_t *packet, size_t size,
                        struct frame_meta *meta)
{
    if (!xmp_parse(xmp, (const char *)packet, size) || !xmp_get_property(xmp, NS_XAP, "Rating", value, NULL))
        return !ran_out_of_memory();
    meta->rating = parse_rating(xmp_string_cstr(value));
    return true;
}

/* The XMP library prints what it cannot parse to standard error, which workers have shut. */
bool packet_fill(const uint8_t *packet, size_t size, struct frame_meta *meta)
{
    /* Starting the XMP library costs more than all the rest of a peek: only where there is something to find.
     */
    if (meta->rating != 0 || size > PACKET_BYTES_MAX || memmem(packet, size, "Rating", 6) == NULL)
        return true;
    if (!xmp_init())
        return false;
    XmpPtr xmp = xmp_new_empty();
    XmpStringPtr value = xmp_string_new();
    bool ok = xmp != NULL && value != NULL && take_rating(xmp, value, packet, size, meta);
    if (value != NULL)
        xmp_string_free(value);
    if (xmp != NULL)
        xmp_free(xmp);
    xmp_terminate();
    return ok;
}
