/* The plugin's side of Headrest's plugin interface, version 1, for C.
 *
 * A plugin is one .c file that includes this header once and writes the five
 * functions that are declared under "what a plugin writes". It is built by
 *
 *   clang --target=wasm32 -O3 -nostdlib -Wl,--no-entry -o NAME.wasm NAME.c
 *
 * There is no C library. The header brings memory that is never given back (a
 * plugin is put into memory anew for each run), the reading of what the host
 * tells, the writing of JSON, and a few functions of a real number.
 * docs/measurements.md describes the interface itself.
 */
#ifndef HEADREST_H
#define HEADREST_H

#include <stddef.h>
#include <stdint.h>

#define HR_EXPORT(name) __attribute__((export_name(#name), used))
#define HR_IMPORT(name) __attribute__((import_module("headrest"), import_name(#name)))

/* -- what the host offers ------------------------------------------------- */

/* A line of UTF-8 for the host's log. */
HR_IMPORT(log) void hr_log(const char *text, uint32_t length);

/* X[k] = sum of x[i] exp(-2 pi j i k / n), k = 0 ... n/2: n numbers in, n/2 + 1
 * pairs (real, imaginary) out, without scaling. 0 when it was done, 1 for a length
 * outside 2 ... 1048576. */
HR_IMPORT(real_fft) uint32_t hr_real_fft(const double *input, uint32_t n, double *output);

/* -- what a plugin writes ------------------------------------------------- */

/* Describes itself: a text in JSON that lives as long as the plugin. */
static const char *hr_manifest(void);

/* Prepares for a stream; `start` holds lines of key=value (see hr_number). Returns 0
 * when it is ready. To refuse, it returns 1, and hr_result then says why. */
static int hr_begin(const char *start, uint32_t length);

/* Takes a block: all samples of the first channel, then all of the second ...
 * Returns 0 when it can use more, 1 when it has enough. */
static int hr_feed(const float *samples, uint32_t channels, uint32_t frames, uint64_t first_frame, int gap);

/* Writes what is known so far, or in the end (see hr_value). */
static void hr_result(int last);

/* -- memory --------------------------------------------------------------- */

extern unsigned char __heap_base;
static uintptr_t hr_top;

/* Memory of so many bytes, zeroed, at a multiple of 16; it is never given back. */
static inline void *hr_alloc(size_t size) {
    if (hr_top == 0) hr_top = ((uintptr_t)&__heap_base + 15) & ~(uintptr_t)15;
    uintptr_t at = hr_top;
    hr_top = (at + size + 15) & ~(uintptr_t)15;
    uintptr_t have = __builtin_wasm_memory_size(0) * 65536;
    if (hr_top > have && __builtin_wasm_memory_grow(0, (hr_top - have + 65535) / 65536) == (size_t)-1)
        __builtin_trap();
    return (void *)at;
}

/* The compiler calls these for large copies; their own loops must not become calls
 * of themselves. */
#define HR_PLAIN __attribute__((no_builtin("memset", "memcpy", "memmove")))
HR_PLAIN void *memset(void *to, int value, size_t size) {
    unsigned char *at = to;
    while (size--) *at++ = (unsigned char)value;
    return to;
}

HR_PLAIN void *memcpy(void *restrict to, const void *restrict from, size_t size) {
    unsigned char *at = to;
    const unsigned char *source = from;
    while (size--) *at++ = *source++;
    return to;
}

HR_PLAIN void *memmove(void *to, const void *from, size_t size) {
    unsigned char *at = to;
    const unsigned char *source = from;
    if (at <= source) return memcpy(to, from, size);
    while (size--) at[size] = source[size];
    return to;
}

static inline size_t hr_length(const char *text) {
    size_t length = 0;
    while (text[length]) length++;
    return length;
}

/* -- functions of a real number ------------------------------------------- */

#define HR_PI 3.14159265358979323846

static inline double hr_sqrt(double x) { return __builtin_sqrt(x); }

/* The logarithm to base ten, to about 1e-14; x > 0. */
static inline double hr_log10(double x) {
    union { double d; uint64_t u; } bits = {x};
    int exponent = (int)(bits.u >> 52 & 2047) - 1023;
    bits.u = (bits.u & 0x000FFFFFFFFFFFFFull) | 0x3FF0000000000000ull;
    /* Within 1 ... 2, brought to 0.7 ... 1.4; ln m = 2 artanh((m - 1) / (m + 1)). */
    double m = bits.d;
    if (m > 1.4142135623730951) m *= 0.5, exponent++;
    double z = (m - 1) / (m + 1), square = z * z, term = z, sum = 0;
    for (int n = 1; n < 24; n += 2, term *= square) sum += term / n;
    return (2 * sum + exponent * 0.69314718055994530942) * 0.43429448190325182765;
}

/* The cosine, to about 1e-14; meant for |x| < 1e6. */
static inline double hr_cos(double x) {
    x -= 2 * HR_PI * __builtin_floor(x / (2 * HR_PI) + 0.5);
    double square = x * x, term = 1, sum = 1;
    for (int n = 2; n < 32; n += 2) {
        term *= -square / ((n - 1) * n);
        sum += term;
    }
    return sum;
}

/* -- reading what the host tells ------------------------------------------ */

/* The number behind a key in the lines of `start`, or `otherwise`. */
static inline double hr_number(const char *start, uint32_t length, const char *key, double otherwise) {
    size_t wanted = hr_length(key);
    for (uint32_t at = 0; at < length;) {
        uint32_t end = at, i = 0;
        while (end < length && start[end] != '\n') end++;
        while (i < wanted && at + i < end && start[at + i] == key[i]) i++;
        if (i == wanted && at + i < end && start[at + i] == '=') {
            const char *c = start + at + i + 1, *stop = start + end;
            double sign = 1, value = 0, place = 1;
            if (c < stop && *c == '-') sign = -1, c++;
            for (; c < stop && *c >= '0' && *c <= '9'; c++) value = value * 10 + (*c - '0');
            if (c < stop && *c == '.')
                for (c++; c < stop && *c >= '0' && *c <= '9'; c++) value += (*c - '0') * (place /= 10);
            return c == stop ? sign * value : otherwise;
        }
        at = end + 1;
    }
    return otherwise;
}

/* -- writing a reading ---------------------------------------------------- */

/* One text per part of a reading; they are joined when the host asks. */
enum { HR_VALUES, HR_LABELS, HR_CURVES, HR_FINDINGS, HR_PARTS };
static struct hr_text { char *at; size_t length, room; } hr_part[HR_PARTS], hr_whole;

static inline void hr_put(struct hr_text *out, const char *text, size_t length) {
    if (out->length + length > out->room) {
        size_t room = 2 * (out->length + length) + 256;
        char *at = hr_alloc(room);
        memcpy(at, out->at, out->length);
        out->at = at, out->room = room;
    }
    memcpy(out->at + out->length, text, length);
    out->length += length;
}

static inline void hr_puts(struct hr_text *out, const char *text) { hr_put(out, text, hr_length(text)); }

/* A comma, unless something was just opened. */
static inline void hr_comma(struct hr_text *out) {
    char last = out->length ? out->at[out->length - 1] : '{';
    if (last != '{' && last != '[' && last != ':') hr_puts(out, ",");
}

/* A text within quotation marks; it holds no control characters. */
static inline void hr_quote(struct hr_text *out, const char *text) {
    hr_puts(out, "\"");
    for (; *text; text++) {
        if (*text == '"' || *text == '\\') hr_puts(out, "\\");
        hr_put(out, text, 1);
    }
    hr_puts(out, "\"");
}

static inline void hr_key(struct hr_text *out, const char *key) {
    hr_comma(out);
    hr_quote(out, key);
    hr_puts(out, ":");
}

/* A finite number, to twelve digits. */
static inline void hr_print(struct hr_text *out, double x) {
    if (x == 0) {
        hr_puts(out, "0");
        return;
    }
    if (x < 0) hr_puts(out, "-"), x = -x;
    int exponent = 0;
    while (x >= 10) x /= 10, exponent++;
    while (x < 1) x *= 10, exponent--;
    uint64_t digits = (uint64_t)(x * 1e11 + 0.5);
    if (digits >= 1000000000000ull) digits /= 10, exponent++;
    char text[20];
    int length = 0, first = 1;
    for (uint64_t unit = 100000000000ull; unit && (digits || first); digits %= unit, unit /= 10) {
        text[length++] = (char)('0' + digits / unit);
        if (first && digits % unit) text[length++] = '.';
        first = 0;
    }
    hr_put(out, text, (size_t)length);
    if (exponent) {
        length = 0;
        hr_puts(out, exponent < 0 ? "e-" : "e");
        if (exponent < 0) exponent = -exponent;
        for (int unit = 100; unit; unit /= 10)
            if (exponent >= unit || length) text[length++] = (char)('0' + exponent / unit % 10);
        hr_put(out, text, (size_t)length);
    }
}

static inline int hr_is_finite(double x) { return x - x == 0; }

/* Notes a value; the unit is part of the name. One that is not finite is left out. */
static inline void hr_value(const char *name, double x) {
    if (!hr_is_finite(x)) return;
    hr_key(&hr_part[HR_VALUES], name);
    hr_print(&hr_part[HR_VALUES], x);
}

/* Notes a word. */
static inline void hr_label(const char *name, const char *word) {
    hr_key(&hr_part[HR_LABELS], name);
    hr_quote(&hr_part[HR_LABELS], word);
}

/* Notes a curve of finite numbers from its columns, all of one length. */
static inline void hr_curve(const char *name, int columns, const char *const *names, const double *const *values,
                     size_t length) {
    struct hr_text *out = &hr_part[HR_CURVES];
    hr_key(out, name);
    hr_puts(out, "{");
    for (int column = 0; column < columns; column++) {
        hr_key(out, names[column]);
        hr_puts(out, "[");
        for (size_t i = 0; i < length; i++) {
            hr_comma(out);
            hr_print(out, values[column][i]);
        }
        hr_puts(out, "]");
    }
    hr_puts(out, "}");
}

/* Notes a finding. Its level is "note", "caution" or "stop"; its code is of
 * lower-case words joined by hyphens; its text says what was found and what to do. */
static inline void hr_finding(const char *level, const char *code, const char *text) {
    struct hr_text *out = &hr_part[HR_FINDINGS];
    hr_comma(out);
    hr_puts(out, "{");
    hr_key(out, "level");
    hr_quote(out, level);
    hr_key(out, "code");
    hr_quote(out, code);
    hr_key(out, "text");
    hr_quote(out, text);
    hr_puts(out, "}");
}

/* -- what the host calls -------------------------------------------------- */

static inline uint64_t hr_answer(const char *text, size_t length) {
    return (uint64_t)(uintptr_t)text << 32 | length;
}

static inline uint64_t hr_told(int last) {
    static const char *const names[HR_PARTS] = {"values", "labels", "curves", "findings"};
    for (int part = 0; part < HR_PARTS; part++) hr_part[part].length = 0;
    hr_result(last);
    hr_whole.length = 0;
    hr_puts(&hr_whole, "{");
    for (int part = 0; part < HR_PARTS; part++) {
        hr_key(&hr_whole, names[part]);
        hr_puts(&hr_whole, part == HR_FINDINGS ? "[" : "{");
        hr_put(&hr_whole, hr_part[part].at, hr_part[part].length);
        hr_puts(&hr_whole, part == HR_FINDINGS ? "]" : "}");
    }
    hr_puts(&hr_whole, "}");
    return hr_answer(hr_whole.at, hr_whole.length);
}

HR_EXPORT(abi_version) uint32_t hr_export_abi_version(void) { return 1; }
HR_EXPORT(alloc) void *hr_export_alloc(uint32_t size) { return hr_alloc(size); }
HR_EXPORT(describe) uint64_t hr_export_describe(void) {
    const char *text = hr_manifest();
    return hr_answer(text, hr_length(text));
}
HR_EXPORT(begin) uint32_t hr_export_begin(const char *start, uint32_t length) {
    return hr_begin(start, length) != 0;
}
HR_EXPORT(feed) uint32_t hr_export_feed(const float *samples, uint32_t channels, uint32_t frames,
                                        uint64_t first_frame, uint32_t gap) {
    return hr_feed(samples, channels, frames, first_frame, gap != 0) != 0;
}
HR_EXPORT(reading) uint64_t hr_export_reading(void) { return hr_told(0); }
HR_EXPORT(finish) uint64_t hr_export_finish(void) { return hr_told(1); }

#endif
