#include "picture.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../ref/maker.h"
#include "../ref/tags_maker.h"
#include "tree.h"

uint8_t *scene_jpeg(uint32_t width_px, uint32_t height_px, uint32_t seed, int ms, size_t *size)
{
    static struct made_tags tags;
    char text[32];
    const struct make_jpeg how = {.width_px = width_px, .height_px = height_px, .seed = seed, .quality = 60};
    struct bytes jpeg = make_jpeg(&how);
    memset(&tags, 0, sizeof tags);
    tags_text(&tags, 0, 0x010f, "Example"); /* tags of CIPA DC-008 */
    tags_text(&tags, 0, 0x0110, "Demo-1");
    (void)snprintf(text, sizeof text, "2026:05:01 07:%02d:%02d", 30 + ms / 60000, ms / 1000 % 60);
    tags_text(&tags, 1, 0x9003, text);
    (void)snprintf(text, sizeof text, "%03d", ms % 1000);
    tags_text(&tags, 1, 0x9291, text);
    tags_text(&tags, 1, 0xa431, "DEMO0001");
    tags_lay_out(&tags);
    size_t segment = 2 + 6 + tags.size;
    uint8_t *out = malloc(jpeg.size + 2 + segment);
    if (out == NULL)
        tree_die("no memory for", "a picture");
    const uint8_t head[] = {0xff, 0xd8, 0xff, 0xe1, (uint8_t)(segment >> 8), (uint8_t)segment, 'E', 'x',
                            'i',  'f',  0,    0};
    memcpy(out, head, sizeof head);
    memcpy(out + sizeof head, tags.bytes, tags.size);
    memcpy(out + sizeof head + tags.size, jpeg.at + 2, jpeg.size - 2);
    *size = sizeof head + tags.size + jpeg.size - 2;
    free(jpeg.at);
    return out;
}
