#include "packet.h"

#include <string.h>

#include <exempi-2.0/exempi/xmp.h>
#include <exempi-2.0/exempi/xmpconsts.h>

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

/* The XMP library prints what it cannot parse to standard error, which workers have shut. */
void packet_fill(const uint8_t *packet, size_t size, struct frame_meta *meta)
{
    /* Starting the XMP library costs more than all the rest of a peek: only where there is something to find.
     */
    if (meta->rating != 0 || size > PACKET_BYTES_MAX || memmem(packet, size, "Rating", 6) == NULL ||
        !xmp_init())
        return;
    XmpPtr xmp = xmp_new_empty();
    XmpStringPtr value = xmp_string_new();
    if (xmp != NULL && value != NULL && xmp_parse(xmp, (const char *)packet, size) &&
        xmp_get_property(xmp, NS_XAP, "Rating", value, NULL))
        meta->rating = parse_rating(xmp_string_cstr(value));
    if (value != NULL)
        xmp_string_free(value);
    if (xmp != NULL)
        xmp_free(xmp);
    xmp_terminate();
}
