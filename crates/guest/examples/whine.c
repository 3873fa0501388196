/* A plugin that follows engine-speed whine.
 *
 * The system plays silence while somebody revs the engine slowly up and down (in
 * open air). Whine from the alternator is a line that moves with the speed; hum,
 * fans and converters stay where they are. Every 85 ms the strongest line between
 * two limits is looked for, and followed while it moves no faster than an engine
 * does. What moved is reported with its range, its level, and, where it is known
 * how many times the line repeats in a turn of the engine, the speed.
 */
#include "headrest.h"

enum { LENGTH = 8192, STEP = LENGTH / 2, MOST = 4096 };

/* A line counts from 12 dB over its surroundings (no source: our practice). */
#define PROMINENT 15.85

static double rate_hz, from_hz, to_hz, per_turn, window[LENGTH], held[LENGTH], windowed[LENGTH];
static double spectrum[LENGTH + 2], power[LENGTH / 2 + 1];
static double time_s[MOST], line_hz[MOST], level_db[MOST];
static uint32_t filled, channel, points;
static uint64_t frames_seen;

static const char *hr_manifest(void) {
    return "{\"id\":\"example.whine\",\"version\":1,\"title\":\"Engine whine\","
           "\"summary\":\"Follows a whine that moves with the engine's speed. Play silence, and rev the engine "
           "slowly up and down in open air while it records the output or the microphone.\","
           "\"stimulus\":\"quiet\",\"parameters\":["
           "{\"kind\":\"number\",\"name\":\"from\",\"unit\":\"Hz\",\"default\":150,\"min\":50,\"max\":5000,"
           "\"help\":\"look for lines from here up\"},"
           "{\"kind\":\"number\",\"name\":\"to\",\"unit\":\"Hz\",\"default\":4000,\"min\":200,\"max\":16000,"
           "\"help\":\"look for lines up to here\"},"
           "{\"kind\":\"number\",\"name\":\"per_turn\",\"unit\":\"\",\"default\":0,\"min\":0,\"max\":200,"
           "\"help\":\"how often the line repeats in a turn of the engine, for its speed; 0 when it is not known\"}]}";
}

static int hr_begin(const char *start, uint32_t length) {
    rate_hz = hr_number(start, length, "sample_rate_hz", 48000);
    channel = (uint32_t)hr_number(start, length, "channel", 0);
    from_hz = hr_number(start, length, "parameter.from", 150);
    to_hz = hr_number(start, length, "parameter.to", 4000);
    per_turn = hr_number(start, length, "parameter.per_turn", 0);
    for (int i = 0; i < LENGTH; i++) window[i] = 0.5 - 0.5 * hr_cos(2 * HR_PI * i / LENGTH);
    return to_hz > 0.45 * rate_hz || from_hz * 1.5 > to_hz;
}

/* The strongest prominent line of the spectrum between two limits: its place in
 * bins, or 0. */
static double strongest(double low_hz, double high_hz, double *found) {
    int low = (int)(low_hz / rate_hz * LENGTH), high = (int)(high_hz / rate_hz * LENGTH), best = 0;
    if (low < 12) low = 12;
    for (int k = low; k <= high && k < LENGTH / 2 - 12; k++) {
        if (power[k] < power[k - 1] || power[k] < power[k + 1] || (best && power[k] <= power[best])) continue;
        /* The surroundings: from four to eleven bins away on both sides. */
        double around = 1e-30;
        for (int i = 4; i < 12; i++) around += (power[k - i] + power[k + i]) / 16;
        if (power[k] > PROMINENT * around) best = k;
    }
    if (!best) return 0;
    /* The top of a parabola through the logarithms of three bins. */
    double a = hr_log10(power[best - 1] + 1e-30), b = hr_log10(power[best] + 1e-30),
           c = hr_log10(power[best + 1] + 1e-30), curve = a - 2 * b + c;
    *found = power[best];
    return best + (curve < 0 ? 0.5 * (a - c) / curve : 0);
}

static void look(void) {
    if (points >= MOST) return;
    for (int i = 0; i < LENGTH; i++) windowed[i] = held[i] * window[i];
    hr_real_fft(windowed, LENGTH, spectrum);
    for (int k = 0; k <= LENGTH / 2; k++)
        power[k] = spectrum[2 * k] * spectrum[2 * k] + spectrum[2 * k + 1] * spectrum[2 * k + 1];
    double now_s = ((double)frames_seen - STEP) / rate_hz, found = 0, bin = 0;
    /* An engine changes its speed by less than a fifth within a quarter of a second. */
    if (points && now_s - time_s[points - 1] < 0.25)
        bin = strongest(line_hz[points - 1] / 1.2, line_hz[points - 1] * 1.2, &found);
    if (bin == 0) bin = strongest(from_hz, to_hz, &found);
    if (bin == 0) return;
    time_s[points] = now_s;
    line_hz[points] = bin * rate_hz / LENGTH;
    /* A full-scale sine gives LENGTH / 4 through this window, and reads 0 dBFS. */
    level_db[points++] = 10 * hr_log10(found / (LENGTH / 4.0 * (LENGTH / 4.0)));
}

static int hr_feed(const float *samples, uint32_t channels, uint32_t frames, uint64_t first_frame, int gap) {
    (void)channels, (void)first_frame;
    if (gap) filled = 0;
    for (uint32_t i = 0; i < frames; i++) {
        held[filled++] = samples[channel * frames + i];
        frames_seen++;
        if (filled < LENGTH) continue;
        look();
        memmove(held, held + STEP, STEP * sizeof(double));
        filled = STEP;
    }
    return 0;
}

static void hr_result(int last) {
    (void)last;
    double low = 1e9, high = 0, worst = -1e9, at = 0;
    for (uint32_t i = 0; i < points; i++) {
        if (line_hz[i] < low) low = line_hz[i];
        if (line_hz[i] > high) high = line_hz[i];
        if (level_db[i] > worst) worst = level_db[i], at = line_hz[i];
    }
    if (to_hz > 0.45 * rate_hz || from_hz * 1.5 > to_hz) {
        hr_finding("stop", "no-range", "Let `to` be at least 1.5 times `from` and below 45 % of the sample rate.");
        return;
    }
    if (points < 10) {
        hr_finding("note", "no-line", "No line stands out of the noise for a second or more: there is no whine to hear.");
        return;
    }
    hr_value("lowest_hz", low);
    hr_value("highest_hz", high);
    hr_value("worst_dbfs", worst);
    hr_value("worst_hz", at);
    if (per_turn > 0) hr_value("lowest_rpm", 60 * low / per_turn), hr_value("highest_rpm", 60 * high / per_turn);
    hr_label("follows", high > 1.1 * low ? "yes" : "no");
    if (high > 1.1 * low)
        hr_finding("caution", "moving-line", "A line moves as an engine does. Look at the ground connections and the routing of signal leads.");
    else
        hr_finding("note", "steady-line", "The line stays where it is: not the engine, rather a fan, a charger or the mains.");
    const char *names[] = {"time_s", "frequency_hz", "level_db"};
    const double *columns[] = {time_s, line_hz, level_db};
    hr_curve("whine", 3, names, columns, points);
}
