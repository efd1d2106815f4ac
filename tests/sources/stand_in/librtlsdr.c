/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A stand-in for the dongle's driver library: the public functions, no hardware. It plays the bytes of a file in real
 * time, over and over, and misbehaves on demand. Every call that changes a setting is written to a log, one a line.
 *
 * Environment, read when a dongle is opened:
 *   STAND_IN_COUNT    dongles on USB (default 1)
 *   STAND_IN_SERIALS  their serial numbers, separated by commas (default 00000001 for all)
 *   STAND_IN_OPEN     what opening returns (default 0)
 *   STAND_IN_STRINGS  what asking for the serial number returns (default 0)
 *   STAND_IN_BYTES    file with the bytes to send (default: a counter)
 *   STAND_IN_LOG      file to write the calls to
 *   STAND_IN_SPEED    how fast, 1 is real time
 *   STAND_IN_FAULT    nothing | stall | unplug | fail | short | odd | drop | slow, from buffer STAND_IN_AT on
 *   STAND_IN_AT       number of the first buffer that the fault concerns (default 10)
 *
 * Signatures after the driver's public header; the behaviour is ours.
 */
#define _GNU_SOURCE
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

typedef struct rtlsdr_dev {
    uint32_t rate, centre;
    int gain, ppm, counting, cancelled;
    uint8_t next_code, *bytes;
    size_t length, at;
} rtlsdr_dev_t;
typedef void (*rtlsdr_read_async_cb_t)(unsigned char *buffer, uint32_t length, void *context);

static const int GAINS[] = {0, 9, 14, 27, 37, 77, 87, 125, 144, 157, 166, 197, 207, 229, 254,
                            280, 297, 328, 338, 364, 372, 386, 402, 421, 434, 439, 445, 480, 496};

static const char *setting(const char *name, const char *otherwise) {
    const char *value = getenv(name);
    return value && *value ? value : otherwise;
}

static int noted(const char *what, long value) {
    const char *path = getenv("STAND_IN_LOG");
    FILE *log = path && *path ? fopen(path, "a") : NULL;
    if (log) {
        fprintf(log, "%s %ld\n", what, value);
        fclose(log);
    }
    return 0;
}

uint32_t rtlsdr_get_device_count(void) { return (uint32_t)atoi(setting("STAND_IN_COUNT", "1")); }
const char *rtlsdr_get_device_name(uint32_t index) { (void)index; return "stand-in"; }

static void serial_of(uint32_t index, char *serial) {
    const char *all = setting("STAND_IN_SERIALS", "00000001"), *comma;
    while (index-- && (comma = strchr(all, ','))) all = comma + 1;
    size_t length = strcspn(all, ",");
    memcpy(serial, all, length);
    serial[length] = 0;
}

int rtlsdr_get_device_usb_strings(uint32_t index, char *maker, char *product, char *serial) {
    if (maker) strcpy(maker, "nobody");
    if (product) strcpy(product, "stand-in");
    if (serial) serial_of(index, serial);
    return atoi(setting("STAND_IN_STRINGS", "0"));
}

int rtlsdr_get_index_by_serial(const char *wanted) {
    char serial[256];
    for (uint32_t index = 0; index < rtlsdr_get_device_count(); index++) {
        serial_of(index, serial);
        if (!strcmp(serial, wanted)) return (int)index;
    }
    return -3;
}

int rtlsdr_open(rtlsdr_dev_t **made, uint32_t index) {
    int answer = atoi(setting("STAND_IN_OPEN", "0"));
    if (answer < 0) return answer;
    if (index >= rtlsdr_get_device_count()) return -1;
    rtlsdr_dev_t *dev = calloc(1, sizeof *dev);
    const char *path = getenv("STAND_IN_BYTES");
    FILE *file = path && *path ? fopen(path, "rb") : NULL;
    if (file) {
        fseek(file, 0, SEEK_END);
        dev->length = (size_t)ftell(file);
        dev->bytes = malloc(dev->length);
        rewind(file);
        if (fread(dev->bytes, 1, dev->length, file) != dev->length) return -1;
        fclose(file);
    } else {
        dev->counting = 1;
    }
    *made = dev;
    return noted("open", index);
}

int rtlsdr_close(rtlsdr_dev_t *dev) { free(dev->bytes); free(dev); return noted("close", 0); }

int rtlsdr_set_center_freq(rtlsdr_dev_t *dev, uint32_t hz) { dev->centre = hz; return noted("centre", hz); }
uint32_t rtlsdr_get_center_freq(rtlsdr_dev_t *dev) { return dev->centre; }
int rtlsdr_set_sample_rate(rtlsdr_dev_t *dev, uint32_t rate) { dev->rate = rate; return noted("rate", rate); }
uint32_t rtlsdr_get_sample_rate(rtlsdr_dev_t *dev) { return dev->rate; }
int rtlsdr_set_freq_correction(rtlsdr_dev_t *dev, int ppm) {
    if (ppm == dev->ppm) return -2; /* as the driver does */
    dev->ppm = ppm;
    return noted("ppm", ppm);
}
int rtlsdr_get_freq_correction(rtlsdr_dev_t *dev) { return dev->ppm; }
int rtlsdr_get_tuner_type(rtlsdr_dev_t *dev) { (void)dev; return 5; }
int rtlsdr_get_tuner_gains(rtlsdr_dev_t *dev, int *gains) {
    (void)dev;
    if (gains) memcpy(gains, GAINS, sizeof GAINS);
    return (int)(sizeof GAINS / sizeof *GAINS);
}
int rtlsdr_set_tuner_gain(rtlsdr_dev_t *dev, int gain) { dev->gain = gain; return noted("gain", gain); }
int rtlsdr_get_tuner_gain(rtlsdr_dev_t *dev) { return dev->gain; }
int rtlsdr_set_tuner_gain_mode(rtlsdr_dev_t *dev, int manual) { (void)dev; return noted("manual gain", manual); }
int rtlsdr_set_agc_mode(rtlsdr_dev_t *dev, int on) { (void)dev; return noted("agc", on); }
int rtlsdr_set_direct_sampling(rtlsdr_dev_t *dev, int on) { (void)dev; return noted("direct sampling", on); }
int rtlsdr_set_dithering(rtlsdr_dev_t *dev, int on) { (void)dev; (void)on; return 0; }
int rtlsdr_set_bias_tee(rtlsdr_dev_t *dev, int on) { (void)dev; return noted("bias tee", on); }
int rtlsdr_set_testmode(rtlsdr_dev_t *dev, int on) {
    if (on) dev->counting = 1;
    return noted("counter", on);
}
int rtlsdr_reset_buffer(rtlsdr_dev_t *dev) { (void)dev; return 0; }

int rtlsdr_set_gpio_output(rtlsdr_dev_t *dev, uint8_t pin) { (void)dev; return noted("gpio output", pin); }
int rtlsdr_set_gpio_input(rtlsdr_dev_t *dev, uint8_t pin) { (void)dev; return noted("gpio input", pin); }
int rtlsdr_set_gpio_bit(rtlsdr_dev_t *dev, uint8_t pin, int on) { (void)dev; (void)on; return noted("gpio bit", pin); }
int rtlsdr_get_gpio_bit(rtlsdr_dev_t *dev, uint8_t pin, int *on) { (void)dev; (void)pin; *on = 0; return 0; }
int rtlsdr_set_gpio_byte(rtlsdr_dev_t *dev, int byte) { (void)dev; return noted("gpio byte", byte); }
int rtlsdr_get_gpio_byte(rtlsdr_dev_t *dev, int *byte) { (void)dev; *byte = 0; return 0; }
int rtlsdr_set_gpio_status(rtlsdr_dev_t *dev, int *byte) { (void)dev; *byte = 0; return 0; }
int rtlsdr_set_xtal_freq(rtlsdr_dev_t *dev, uint32_t chip, uint32_t tuner) {
    (void)dev; (void)tuner;
    return noted("xtal", chip);
}
int rtlsdr_get_xtal_freq(rtlsdr_dev_t *dev, uint32_t *chip, uint32_t *tuner) {
    (void)dev;
    *chip = *tuner = 28800000;
    return 0;
}

static void fill(rtlsdr_dev_t *dev, uint8_t *buffer, size_t length) {
    for (size_t place = 0; place < length; place++) {
        if (dev->counting) {
            buffer[place] = dev->next_code++;
        } else {
            buffer[place] = dev->bytes[dev->at];
            dev->at = (dev->at + 1) % dev->length;
        }
    }
}

int rtlsdr_read_sync(rtlsdr_dev_t *dev, void *buffer, int length, int *got) {
    fill(dev, buffer, (size_t)length);
    *got = length;
    return 0;
}

static void sleep_until(const struct timespec *start, double seconds) {
    struct timespec then = *start;
    then.tv_sec += (time_t)seconds;
    then.tv_nsec += (long)((seconds - (double)(time_t)seconds) * 1e9);
    if (then.tv_nsec >= 1000000000L) {
        then.tv_nsec -= 1000000000L;
        then.tv_sec++;
    }
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &then, NULL);
}

int rtlsdr_read_async(rtlsdr_dev_t *dev, rtlsdr_read_async_cb_t callback, void *context, uint32_t buffers,
                      uint32_t length) {
    (void)buffers;
    const char *fault = setting("STAND_IN_FAULT", "nothing");
    long fault_at = atol(setting("STAND_IN_AT", "10"));
    double speed = atof(setting("STAND_IN_SPEED", "1")), due = 0;
    uint8_t *buffer = malloc(length);
    struct timespec start;
    clock_gettime(CLOCK_MONOTONIC, &start);
    dev->cancelled = 0;
    int answer = 0;
    for (long number = 0; !dev->cancelled; number++) {
        int faulty = number >= fault_at;
        uint32_t send = length;
        due += length / 2.0 / dev->rate / speed;
        sleep_until(&start, due);
        if (faulty && !strcmp(fault, "unplug")) break; /* the driver's loop ends, and calls it success */
        if (faulty && !strcmp(fault, "fail")) {
            answer = -1;
            break;
        }
        if (faulty && !strcmp(fault, "stall")) {
            while (!dev->cancelled) sleep_until(&start, due += 0.05);
            break;
        }
        if (number == fault_at && !strcmp(fault, "short")) send = length / 2 - 6; /* the rest never comes */
        if (number == fault_at && !strcmp(fault, "odd")) send = length - 1;       /* the last byte comes next time */
        if (faulty && !strcmp(fault, "drop") && number < fault_at + 20) {
            fill(dev, buffer, length); /* gone, and nobody says so */
            continue;
        }
        if (faulty && !strcmp(fault, "slow")) due += length / 2.0 / dev->rate / speed;
        fill(dev, buffer, send);
        callback(buffer, send, context);
        if (send < length && !strcmp(fault, "short")) {
            uint8_t *gone = malloc(length - send);
            fill(dev, gone, length - send);
            free(gone);
        }
    }
    free(buffer);
    return answer;
}
int rtlsdr_wait_async(rtlsdr_dev_t *dev, rtlsdr_read_async_cb_t callback, void *context) {
    return rtlsdr_read_async(dev, callback, context, 0, 0);
}
int rtlsdr_cancel_async(rtlsdr_dev_t *dev) {
    dev->cancelled = 1;
    return 0;
}
