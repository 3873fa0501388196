/* For the benchmark alone: each block of 1,024 frames costs one real transform of
 * 16,384 samples, made here (as a complex transform of half the length by radix 2) or
 * by the host. */
#include "headrest.h"

enum { LENGTH = 16384, HALF = LENGTH / 2 };

static double samples[LENGTH], spectrum[LENGTH + 2], cosine[LENGTH], sine[LENGTH];
static double by_host, sum;

static const char *hr_manifest(void) {
    return "{\"id\":\"bench.fft\",\"version\":1,\"title\":\"FFT\",\"summary\":\"For the benchmark.\",\"parameters\":["
           "{\"kind\":\"number\",\"name\":\"by_host\",\"default\":0,\"min\":0,\"max\":1,\"help\":\"whose transform\"}]}";
}

static int hr_begin(const char *start, uint32_t length) {
    by_host = hr_number(start, length, "parameter.by_host", 0);
    for (int i = 0; i < LENGTH; i++) {
        cosine[i] = hr_cos(2 * HR_PI * i / LENGTH);
        sine[i] = hr_cos(2 * HR_PI * i / LENGTH - HR_PI / 2);
        samples[i] = hr_cos(0.01 * i);
    }
    return 0;
}

static void own(void) {
    double *z = spectrum;
    for (int i = 0, j = 0; i < HALF; i++) {
        z[2 * j] = samples[2 * i], z[2 * j + 1] = samples[2 * i + 1];
        int bit = HALF >> 1;
        for (; j & bit; bit >>= 1) j ^= bit;
        j |= bit;
    }
    for (int size = 2; size <= HALF; size *= 2)
        for (int from = 0; from < HALF; from += size)
            for (int k = 0; k < size / 2; k++) {
                double c = cosine[k * (LENGTH / size)], s = -sine[k * (LENGTH / size)];
                double *a = z + 2 * (from + k), *b = z + 2 * (from + k + size / 2);
                double re = b[0] * c - b[1] * s, im = b[0] * s + b[1] * c;
                b[0] = a[0] - re, b[1] = a[1] - im, a[0] += re, a[1] += im;
            }
    z[LENGTH] = z[0], z[LENGTH + 1] = z[1];
    for (int k = 0; k <= HALF / 2; k++) {
        double *a = z + 2 * k, *b = z + 2 * (HALF - k);
        double er = (a[0] + b[0]) / 2, ei = (a[1] - b[1]) / 2, or = (a[1] + b[1]) / 2, oi = (b[0] - a[0]) / 2;
        double tr = or * cosine[k] + oi * sine[k], ti = oi * cosine[k] - or * sine[k];
        a[0] = er + tr, a[1] = ei + ti, b[0] = er - tr, b[1] = ti - ei;
    }
}

static int hr_feed(const float *block, uint32_t channels, uint32_t frames, uint64_t first_frame, int gap) {
    (void)channels, (void)first_frame, (void)gap;
    samples[first_frame % LENGTH] = block[frames - 1];
    if (by_host > 0) hr_real_fft(samples, LENGTH, spectrum);
    else own();
    sum += spectrum[2 * 26];
    return 0;
}

static void hr_result(int last) {
    (void)last;
    hr_value("sum", sum);
    hr_value("bin_26", spectrum[2 * 26]);
    hr_value("bin_26_imaginary", spectrum[2 * 26 + 1]);
    hr_value("bin_0", spectrum[0]);
    hr_value("bin_8191", spectrum[2 * 8191]);
}
