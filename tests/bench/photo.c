/* photo.c - photographs of Debian's wallpaper packages as textures. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jpeglib.h>

#include "../cardgen/canvas.h"
#include "plate.h"

enum { LONG_ENOUGH = 3000 };

/* By name, so that a machine with more wallpapers renders the same bursts. */
static const char *const photo_path[] = {
    "/usr/share/backgrounds/Kleiber_by_Lukas_Baubkus.jpg",
    "/usr/share/backgrounds/Infinite-Sea_by_Aury88.jpg",
    "/usr/share/backgrounds/Dragonfly_by_Bolly.jpg",
    "/usr/share/backgrounds/life_by_Aitzol_Berasategi.jpg",
    "/usr/share/backgrounds/picosdeeuropa_by_Aitzol_Berasategi.jpg",
    "/usr/share/backgrounds/aitzgorri_by_Aitzol_Berasategi.jpg",
    "/usr/share/backgrounds/analogpattern_by_Peter_Nerlich.jpg",
    "/usr/share/backgrounds/seeding_by_Clements_Engelhardt.jpg",
    "/usr/share/backgrounds/Bridge_by_Sander_Klootwijk.jpg",
    "/usr/share/backgrounds/friends_by_Aitzol_Berasategi.jpg",
};

/* sRGB back to light, where white is not quite what clips. */
static float light_of(int level)
{
    float v = (float)level / 255.0f;
    return 0.62f * (v <= 0.04045f ? v / 12.92f : powf((v + 0.055f) / 1.055f, 2.4f));
}

static struct plate photo_read(const char *path)
{
    FILE *file = fopen(path, "rb");
    if (file == NULL) {
        perror(path);
        exit(1);
    }
    struct jpeg_decompress_struct jpeg;
    struct jpeg_error_mgr errors;
    jpeg.err = jpeg_std_error(&errors);
    jpeg_create_decompress(&jpeg);
    jpeg_stdio_src(&jpeg, file);
    jpeg_read_header(&jpeg, TRUE);
    jpeg.out_color_space = JCS_GRAYSCALE;
    jpeg.scale_num = 8;
    jpeg.scale_denom = 8;
    while (jpeg.scale_num > 1 && jpeg.image_width * (jpeg.scale_num - 1) / 8 >= LONG_ENOUGH)
        jpeg.scale_num--;
    jpeg_start_decompress(&jpeg);
    struct plate p = plate_new((int)jpeg.output_width, (int)jpeg.output_height);
    uint8_t *row = canvas_alloc(jpeg.output_width, 1);
    float tone[256];
    for (int i = 0; i < 256; i++)
        tone[i] = light_of(i);
    while (jpeg.output_scanline < jpeg.output_height) {
        float *out = p.v + (size_t)jpeg.output_scanline * (size_t)p.w;
        jpeg_read_scanlines(&jpeg, &row, 1);
        for (int x = 0; x < p.w; x++)
            out[x] = tone[row[x]];
    }
    free(row);
    jpeg_finish_decompress(&jpeg);
    jpeg_destroy_decompress(&jpeg);
    fclose(file);
    return p;
}

void studio_open(struct studio *s)
{
    *s = (struct studio){0};
    for (size_t i = 0; i < sizeof photo_path / sizeof photo_path[0]; i++)
        if (access(photo_path[i], R_OK) == 0)
            s->path[s->photos++] = photo_path[i];
    s->grain = grain_new();
}

const struct plate *studio_photo(struct studio *s, int k)
{
    if (s->photo[k].v == NULL)
        s->photo[k] = photo_read(s->path[k]);
    return &s->photo[k];
}

void studio_close(struct studio *s)
{
    for (int i = 0; i < s->photos; i++)
        plate_free(&s->photo[i]);
    free(s->grain);
    *s = (struct studio){0};
}

static float at(const struct plate *p, float x, float y)
{
    x = fminf(fmaxf(x, 0), (float)p->w - 1.001f);
    y = fminf(fmaxf(y, 0), (float)p->h - 1.001f);
    int ix = (int)x, iy = (int)y;
    float tx = x - (float)ix, ty = y - (float)iy;
    const float *a = p->v + (size_t)iy * (size_t)p->w + ix, *b = a + p->w;
    return (a[0] + (a[1] - a[0]) * tx) * (1 - ty) + (b[0] + (b[1] - b[0]) * tx) * ty;
}

struct plate photo_cut(struct studio *s, int k, int w, int h, float scale, struct rng *r)
{
    const struct plate *p = studio_photo(s, k);
    struct plate out = plate_new(w, h);
    bool mirrored = rng_u32(r) & 1;
    scale = fminf(scale, fminf((float)p->w / (float)w, (float)p->h / (float)h));
    float x0 = rng_range(r, 0, (float)p->w - scale * (float)w),
          y0 = rng_range(r, 0, (float)p->h - scale * (float)h);
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++)
            out.v[(size_t)y * (size_t)w + (size_t)(mirrored ? w - 1 - x : x)] =
                at(p, x0 + scale * (float)x, y0 + scale * (float)y);
    return out;
}
