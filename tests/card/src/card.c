/* A sound card without hardware, as a plugin of ALSA: what is played is captured.
 *
 * ALSA's own library loads it, so a program reaches it through the same calls as a real card, and nothing of
 * the program knows that it is none. Its time is that of the machine: every frame has a moment at which it is
 * played or captured, whether somebody asks for it or not, and what is asked for too late is lost. Playback and
 * capture have a clock each. In its configuration stand the formats, rates, channels and buffers that it offers;
 * a file that several programs map, the wire, carries the sound from one to the other and takes orders from the
 * test: unplug, overrun, suspend, lose samples.
 *
 * Input i hears output i mod OUTPUTS at half the level for each time round, DELAY frames later.
 */
#include <alsa/asoundlib.h>
#include <alsa/pcm_external.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

#define RING 262144  /* frames of the wire: five seconds at 48 kHz */
#define CHANNELS 8   /* the most outputs */
#define DELAY 256    /* frames from output to input, so that the interpolation never needs what is not yet played */
#define TAPS 32      /* of the interpolation, on either side */
#define PARTS 1024   /* of a frame, for the interpolation */
#define STEREO_PAIR 2

/* What the test writes, as numbers of 32 bits at the very beginning of the wire. */
struct orders {
    uint32_t unplugged; /* 1 while it is out */
    uint32_t overruns;  /* raised by one: the capture overruns once */
    uint32_t suspends;  /* raised by one: both directions are suspended once */
    uint32_t lost;      /* in all, frames that the capture leaves out without a word */
};

struct wire {
    volatile struct orders orders;
    volatile uint64_t epoch_ns;   /* when both clocks stood at zero */
    volatile uint64_t generation; /* of the playback; 0 while nothing is played */
    volatile double start;        /* the frame of the playback clock at which the generation began */
    volatile uint64_t stamps[RING];
    volatile double samples[RING][CHANNELS];
};

struct biquad { double b0, b1, b2, a1, a2, z1, z2; };

struct card {
    snd_pcm_ioplug_t io;
    int timer;
    struct wire *wire;
    /* configuration */
    char wire_path[512], format[16], filter[16];
    long ppm_out, ppm_in, rate_min, rate_max, inputs, outputs, period_min, period_max, periods_min, periods_max, stuck, silent;
    /* the stream */
    double start;          /* the frame of its own clock at which it began */
    uint64_t moved;        /* frames handed over since then */
    uint64_t generation;
    uint32_t overruns, suspends, lost, lost_before;
    int running;
    struct biquad filters[STEREO_PAIR];
};

static uint64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint64_t)t.tv_sec * 1000000000u + (uint64_t)t.tv_nsec;
}

static double speed(const struct card *c, int stream)
{
    return c->io.rate * (1.0 + 1e-6 * (double)(stream == SND_PCM_STREAM_PLAYBACK ? c->ppm_out : c->ppm_in));
}

/* Where the clock of this stream stands, in frames. */
static double clock_frames(const struct card *c)
{
    return (double)(now_ns() - c->wire->epoch_ns) * 1e-9 * speed(c, c->io.stream);
}

static int prepare(snd_pcm_ioplug_t *io)
{
    struct card *c = io->private_data;
    if (c->wire->orders.unplugged)
        return -ENODEV;
    c->running = 0;
    c->moved = 0;
    c->overruns = c->wire->orders.overruns;
    c->suspends = c->wire->orders.suspends;
    c->lost = c->lost_before = c->wire->orders.lost;
    if (io->stream == SND_PCM_STREAM_PLAYBACK) {
        c->generation = now_ns() << 8; /* far from every other, whatever is added to it */
        for (int i = 0; i < STEREO_PAIR; i++)
            c->filters[i].z1 = c->filters[i].z2 = 0.0;
    }
    /* A player polls before it starts, so the timer runs from here on. */
    uint64_t half = 500000000u * (uint64_t)io->period_size / io->rate;
    struct itimerspec every = {{(time_t)(half / 1000000000u), (long)(half % 1000000000u)}, {0, 1}};
    timerfd_settime(c->timer, 0, &every, NULL);
    return 0;
}

static int start(snd_pcm_ioplug_t *io)
{
    struct card *c = io->private_data;
    c->start = ceil(clock_frames(c));
    c->running = 1;
    if (io->stream == SND_PCM_STREAM_PLAYBACK) {
        c->wire->start = c->start;
        __sync_synchronize();
        c->wire->generation = c->generation;
    }
    return 0;
}

static int stop(snd_pcm_ioplug_t *io)
{
    struct card *c = io->private_data;
    c->running = 0;
    if (io->stream == SND_PCM_STREAM_PLAYBACK && c->wire->generation == c->generation)
        c->wire->generation = 0;
    return 0;
}

static int resume(snd_pcm_ioplug_t *io)
{
    (void)io;
    return -ENOSYS; /* as most cards do: it has to be prepared anew */
}

static snd_pcm_sframes_t pointer(snd_pcm_ioplug_t *io)
{
    struct card *c = io->private_data;
    const volatile struct orders *orders = &c->wire->orders;
    if (orders->unplugged) {
        stop(io);
        snd_pcm_ioplug_set_state(io, SND_PCM_STATE_DISCONNECTED);
        return (snd_pcm_sframes_t)io->hw_ptr;
    }
    if (!c->running)
        return 0;
    if (orders->suspends != c->suspends) {
        c->suspends = orders->suspends;
        stop(io);
        snd_pcm_ioplug_set_state(io, SND_PCM_STATE_SUSPENDED);
        return (snd_pcm_sframes_t)io->hw_ptr;
    }
    double frames = clock_frames(c) - c->start;
    uint64_t at = frames > 0.0 ? (uint64_t)frames : 0;
    if (io->stream == SND_PCM_STREAM_PLAYBACK)
        return at > io->appl_ptr ? -EPIPE : (snd_pcm_sframes_t)at;
    /* What is left out without a word is missing from the count, too: it is not delivered later. */
    c->lost = orders->lost;
    uint32_t out = c->lost - c->lost_before;
    at = at > out ? at - out : 0;
    if (at < io->hw_ptr)
        at = io->hw_ptr;
    if (orders->overruns != c->overruns || at - io->appl_ptr > io->buffer_size) {
        c->overruns = orders->overruns;
        return -EPIPE;
    }
    return (snd_pcm_sframes_t)at;
}

/* Bessel's function of the first kind and order zero, modified, by its series. */
static double bessel(double x)
{
    double sum = 1.0, term = 1.0;
    for (int k = 1; k < 40; k++) {
        term *= (x / (2.0 * k)) * (x / (2.0 * k));
        sum += term;
    }
    return sum;
}

/* The weights of the interpolation for each part of a frame: a sine cardinal under Kaiser's window. Between two
 * parts a straight line is off by (pi / PARTS)^2 / 8 at the most, which is -118 dB. */
static double weights[PARTS + 1][2 * TAPS];

static void weigh(void)
{
    for (int part = 0; part <= PARTS; part++)
        for (int tap = 0; tap < 2 * TAPS; tap++) {
            double x = (double)part / PARTS - (tap + 1 - TAPS), edge = x / TAPS;
            double window = bessel(10.0 * sqrt(fmax(0.0, 1.0 - edge * edge))) / bessel(10.0);
            weights[part][tap] = window * (fabs(x) < 1e-12 ? 1.0 : sin(M_PI * x) / (M_PI * x));
        }
}

static double played(const struct wire *w, int64_t frame, int channel)
{
    if (frame < 0 || w->stamps[frame % RING] != w->generation + (uint64_t)frame)
        return 0.0;
    return w->samples[frame % RING][channel];
}

/* The played sound at a moment between two frames. */
static double played_between(const struct wire *w, double at, int channel)
{
    int64_t whole = (int64_t)floor(at);
    double part = (at - (double)whole) * PARTS, sum = 0.0;
    int low = (int)part;
    if (part < 1e-6)
        return played(w, whole, channel);
    for (int tap = 0; tap < 2 * TAPS; tap++) {
        double weight = weights[low][tap] + (part - low) * (weights[low + 1][tap] - weights[low][tap]);
        sum += played(w, whole + tap + 1 - TAPS, channel) * weight;
    }
    return sum;
}

static double filtered(struct biquad *f, double x)
{
    double y = f->b0 * x + f->z1;
    f->z1 = f->b1 * x - f->a1 * y + f->z2;
    f->z2 = f->b2 * x - f->a2 * y;
    return y;
}

/* A peak of +6 dB at 1 kHz with a Q of 2. Source: R. Bristow-Johnson, Audio EQ Cookbook. */
static struct biquad peak(double rate)
{
    double a = pow(10.0, 6.0 / 40.0), w0 = 2.0 * M_PI * 1000.0 / rate, alpha = sin(w0) / 4.0, a0 = 1.0 + alpha / a;
    struct biquad f = {(1.0 + alpha * a) / a0, -2.0 * cos(w0) / a0, (1.0 - alpha * a) / a0,
                       -2.0 * cos(w0) / a0,    (1.0 - alpha / a) / a0, 0.0, 0.0};
    return f;
}

static double decoded(snd_pcm_format_t format, const uint8_t *p)
{
    int32_t i;
    float f;
    switch (format) {
    case SND_PCM_FORMAT_S16_LE: return (int16_t)(p[0] | p[1] << 8) / 32768.0;
    case SND_PCM_FORMAT_S24_3LE: return (int32_t)((uint32_t)(p[0] | p[1] << 8 | p[2] << 16) << 8) / 2147483648.0;
    case SND_PCM_FORMAT_S32_LE: memcpy(&i, p, 4); return i / 2147483648.0;
    default: memcpy(&f, p, 4); return f;
    }
}

static void encode(snd_pcm_format_t format, double x, uint8_t *p)
{
    double most = format == SND_PCM_FORMAT_S16_LE ? 32768.0 : format == SND_PCM_FORMAT_S24_3LE ? 8388608.0 : 2147483648.0;
    if (format == SND_PCM_FORMAT_FLOAT_LE) {
        float f = (float)x;
        memcpy(p, &f, 4);
        return;
    }
    int32_t i = (int32_t)fmin(fmax(rint(x * most), -most), most - 1.0);
    memcpy(p, &i, most == 32768.0 ? 2 : most == 8388608.0 ? 3 : 4);
}

static snd_pcm_sframes_t transfer(snd_pcm_ioplug_t *io, const snd_pcm_channel_area_t *areas, snd_pcm_uframes_t offset, snd_pcm_uframes_t frames)
{
    struct card *c = io->private_data;
    struct wire *w = c->wire;
    if (w->orders.unplugged)
        return -ENODEV;
    double ratio = speed(c, SND_PCM_STREAM_PLAYBACK) / speed(c, SND_PCM_STREAM_CAPTURE);
    for (snd_pcm_uframes_t n = 0; n < frames; n++, c->moved++) {
        uint64_t place = c->moved % RING;
        /* The frame that the capture clock counts, what was left out among them; then the moment in what is played. */
        double at = (c->start + (double)c->moved + (double)(c->lost - c->lost_before)) * ratio - w->start - DELAY;
        for (unsigned channel = 0; channel < io->channels; channel++) {
            const snd_pcm_channel_area_t *area = &areas[channel];
            uint8_t *p = (uint8_t *)area->addr + (area->first + area->step * (offset + n)) / 8;
            if (io->stream == SND_PCM_STREAM_PLAYBACK) {
                double x = decoded(io->format, p);
                if (c->filter[0] && channel < STEREO_PAIR)
                    x = filtered(&c->filters[channel], x);
                w->samples[place][channel] = x;
            } else {
                double x = 0.0;
                if ((long)channel + 1 == c->stuck)
                    x = 0.25;
                else if ((long)channel + 1 != c->silent && w->generation != 0)
                    x = played_between(w, at, (int)(channel % (unsigned)c->outputs)) * ldexp(1.0, -(int)(channel / (unsigned)c->outputs));
                encode(io->format, x, p);
            }
        }
        if (io->stream == SND_PCM_STREAM_PLAYBACK)
            w->stamps[place] = c->generation + c->moved;
    }
    return (snd_pcm_sframes_t)frames;
}

static int poll_revents(snd_pcm_ioplug_t *io, struct pollfd *fds, unsigned count, unsigned short *events)
{
    struct card *c = io->private_data;
    uint64_t ticks;
    (void)count;
    (void)fds;
    if (read(c->timer, &ticks, sizeof ticks) < 0)
        ticks = 0;
    *events = 0;
    snd_pcm_sframes_t available = snd_pcm_avail_update(io->pcm);
    if (available < 0 || io->state == SND_PCM_STATE_DISCONNECTED || io->state == SND_PCM_STATE_SUSPENDED)
        *events = POLLERR;
    else if ((snd_pcm_uframes_t)available >= io->period_size)
        *events = io->stream == SND_PCM_STREAM_PLAYBACK ? POLLOUT : POLLIN;
    return 0;
}

static int hw_params(snd_pcm_ioplug_t *io, snd_pcm_hw_params_t *params)
{
    struct card *c = io->private_data;
    (void)params;
    for (int i = 0; i < STEREO_PAIR; i++)
        c->filters[i] = peak(io->rate);
    return 0;
}

static int closing(snd_pcm_ioplug_t *io)
{
    struct card *c = io->private_data;
    stop(io);
    close(c->timer);
    munmap(c->wire, sizeof(struct wire));
    free(c);
    return 0;
}

static const snd_pcm_ioplug_callback_t callbacks = {
    .start = start, .stop = stop, .pointer = pointer, .transfer = transfer, .close = closing, .prepare = prepare,
    .resume = resume, .poll_revents = poll_revents, .hw_params = hw_params,
};

static int offer(struct card *c, snd_pcm_stream_t stream)
{
    unsigned access[] = {SND_PCM_ACCESS_RW_INTERLEAVED};
    snd_pcm_format_t format = snd_pcm_format_value(c->format);
    unsigned formats[] = {(unsigned)format};
    unsigned channels = (unsigned)(stream == SND_PCM_STREAM_PLAYBACK ? c->outputs : c->inputs);
    unsigned frame = channels * (unsigned)snd_pcm_format_physical_width(format) / 8;
    snd_pcm_ioplug_t *io = &c->io;
    int e = snd_pcm_ioplug_set_param_list(io, SND_PCM_IOPLUG_HW_ACCESS, 1, access);
    if (e >= 0) e = snd_pcm_ioplug_set_param_list(io, SND_PCM_IOPLUG_HW_FORMAT, 1, formats);
    if (e >= 0) e = snd_pcm_ioplug_set_param_minmax(io, SND_PCM_IOPLUG_HW_RATE, (unsigned)c->rate_min, (unsigned)c->rate_max);
    if (e >= 0) e = snd_pcm_ioplug_set_param_minmax(io, SND_PCM_IOPLUG_HW_CHANNELS, channels, channels);
    if (e >= 0) e = snd_pcm_ioplug_set_param_minmax(io, SND_PCM_IOPLUG_HW_PERIOD_BYTES, frame * (unsigned)c->period_min, frame * (unsigned)c->period_max);
    if (e >= 0) e = snd_pcm_ioplug_set_param_minmax(io, SND_PCM_IOPLUG_HW_PERIODS, (unsigned)c->periods_min, (unsigned)c->periods_max);
    return e;
}

static int configure(struct card *c, snd_config_t *conf)
{
    struct { const char *name; long *number; } numbers[] = {
        {"ppm_out", &c->ppm_out}, {"ppm_in", &c->ppm_in}, {"rate_min", &c->rate_min}, {"rate_max", &c->rate_max},
        {"inputs", &c->inputs}, {"outputs", &c->outputs}, {"period_min", &c->period_min}, {"period_max", &c->period_max},
        {"periods_min", &c->periods_min}, {"periods_max", &c->periods_max}, {"stuck", &c->stuck}, {"silent", &c->silent},
    };
    struct { const char *name; char *text; size_t size; } texts[] = {
        {"wire", c->wire_path, sizeof c->wire_path}, {"format", c->format, sizeof c->format}, {"filter", c->filter, sizeof c->filter},
    };
    snd_config_iterator_t i, next;
    snd_config_for_each(i, next, conf) {
        snd_config_t *node = snd_config_iterator_entry(i);
        const char *id, *text;
        int known = 0;
        if (snd_config_get_id(node, &id) < 0 || !strcmp(id, "type") || !strcmp(id, "comment") || !strcmp(id, "hint"))
            continue;
        for (size_t n = 0; n < sizeof numbers / sizeof *numbers; n++)
            if (!strcmp(id, numbers[n].name))
                known = snd_config_get_integer(node, numbers[n].number) >= 0;
        for (size_t n = 0; n < sizeof texts / sizeof *texts; n++)
            if (!strcmp(id, texts[n].name) && snd_config_get_string(node, &text) >= 0 && strlen(text) < texts[n].size) {
                strcpy(texts[n].text, text);
                known = 1;
            }
        if (!known) {
            SNDERR("the test card does not know `%s`, or not with this value", id);
            return -EINVAL;
        }
    }
    return 0;
}

SND_PCM_PLUGIN_DEFINE_FUNC(testcard)
{
    (void)root;
    struct card *c = calloc(1, sizeof *c);
    if (!c)
        return -ENOMEM;
    strcpy(c->format, "S32_LE");
    c->rate_min = c->rate_max = 48000;
    c->inputs = c->outputs = 2;
    c->period_min = 64;
    c->period_max = 8192;
    c->periods_min = 2;
    c->periods_max = 16;
    int e = configure(c, conf);
    if (e < 0)
        goto failed;
    e = -ENODEV;
    if ((stream == SND_PCM_STREAM_PLAYBACK ? c->outputs : c->inputs) == 0)
        goto failed;
    if (c->outputs == 0)
        c->outputs = 1; /* of which nothing is ever heard */
    int file = open(c->wire_path, O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    if (file < 0 || ftruncate(file, sizeof(struct wire)) < 0)
        goto failed;
    c->wire = mmap(NULL, sizeof(struct wire), PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    close(file);
    if (c->wire == MAP_FAILED || c->wire->orders.unplugged)
        goto failed;
    __sync_val_compare_and_swap(&c->wire->epoch_ns, 0, now_ns());
    weigh();
    c->timer = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
    c->io.version = SND_PCM_IOPLUG_VERSION;
    c->io.name = "Test card";
    /* The pointer counts on and is not taken modulo the buffer: so an overrun shows. */
    c->io.flags = SND_PCM_IOPLUG_FLAG_BOUNDARY_WA | SND_PCM_IOPLUG_FLAG_MONOTONIC;
    c->io.callback = &callbacks;
    c->io.private_data = c;
    c->io.poll_fd = c->timer;
    c->io.poll_events = POLLIN;
    e = snd_pcm_ioplug_create(&c->io, name, stream, mode);
    if (e < 0)
        goto failed;
    e = offer(c, stream);
    if (e < 0) {
        snd_pcm_ioplug_delete(&c->io);
        return e;
    }
    *pcmp = c->io.pcm;
    return 0;
failed:
    free(c);
    return e;
}
SND_PCM_PLUGIN_SYMBOL(testcard);
