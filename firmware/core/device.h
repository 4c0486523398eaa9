/* The whole board as a state machine without I/O: levels, time and bytes in; bytes out.
 *
 * All times are the low 32 bits of microseconds since boot. Time handed in must not run backwards;
 * where it would, it is taken as standing still. */
#ifndef REEDPROOF_DEVICE_H
#define REEDPROOF_DEVICE_H

#include <stdbool.h>
#include <stdint.h>

#include "debounce.h"
#include "fault.h"
#include "levels.h"
#include "message.h"
#include "record_ring.h"
#include "sampler.h"
#include "selftest.h"
#include "settings.h"

enum reset_cause {
    RESET_UNKNOWN, /* a loader may have cleared the chip's flags */
    RESET_POWER_ON,
    RESET_EXTERNAL,
    RESET_BROWN_OUT,
    RESET_WATCHDOG,
    RESET_REQUESTED, /* the reboot command */
};

enum board_kind {
    BOARD_VIRTUAL = 0,
    BOARD_NANO = 1,
    BOARD_UNO = 2,
    BOARD_MEGA = 3,
    BOARD_PICO = 4,
};

struct device_config {
    uint32_t build; /* hash of the firmware's sources */
    uint8_t kind;   /* enum board_kind */
    uint8_t inputs; /* at most REEDPROOF_INPUTS */
    uint16_t sample_us;
};

struct counters { /* since boot; each stays at its maximum once there */
    uint32_t edges;
    uint32_t closures;
    uint16_t lost; /* closures counted but not recorded */
    uint16_t blips;
    uint16_t dropouts;
    uint8_t longest_blip; /* width codes */
    uint8_t longest_dropout;
};

/* All of an input together: small boards reach a struct's first 64 bytes from one pointer. */
struct input {
    struct debounce debounce;
    struct fault fault;
    struct counters counters;
};

struct trace_batch {
    struct board_time first;
    uint32_t last_us;
    uint16_t lost; /* edges that met a full batch since boot; wraps */
    uint8_t count;
    struct trace_edge edges[TRACE_BATCH];
};

struct device {
    const struct device_config *config;
    /* Scalars first: small boards reach the first 64 bytes with half the code. */
    struct board_time now;
    uint32_t due_us;    /* busy inputs have nothing fall due before */
    uint32_t window_us; /* start of the second at hand */
    uint32_t seconds;   /* whole ones since boot */
    uint32_t armed_at_s;
    uint32_t boot;
    levels_t levels;     /* raw, as sampled last */
    levels_t taken;      /* raw, as of the edges taken */
    levels_t resting;    /* inputs in a storm, whose next closing waits; see device.c */
    levels_t busy;       /* inputs in a train of edges */
    levels_t power_up;   /* closed since the first sample */
    levels_t unrecorded; /* the closure at hand has no made record, so it gets no broke record */
    levels_t overlong;   /* the closure at hand is too old to be followed; see device.c */
    levels_t made;       /* a closure counts and has not been broken */
    levels_t faulty;     /* any fault is active */
    levels_t armed;
    levels_t traced;
    uint16_t closures_since_armed; /* of all inputs; stays at its maximum */
    uint16_t snapshots_lost;

    uint16_t tick;      /* now, in 1.024 ms */
    uint16_t host_tick; /* last good frame from the host */
    uint16_t sent_tick; /* last time a record was sent or acknowledged */
    uint16_t beat_tick;
    uint16_t lit_tick; /* last closure */
    uint8_t blinking;  /* seconds to go */
    uint8_t sequence;
    uint8_t beat_input;
    uint8_t reset_cause;
    uint8_t settings_due; /* next settings message to send; see device.c */
    uint8_t settings_last;
    bool settings_defaulted;
    bool host_present;
    bool hello_due;
    bool time_due;
    bool reply_due;
    bool selftest_due;
    bool lit;
    bool reboot : 1;
    bool others_first : 1; /* a trace was sent last */
    uint8_t reply_command;
    uint8_t reply_sequence;
    uint8_t reply_status;
    uint32_t time_token;
    struct board_time time_received;
    uint16_t store_crc;
    uint8_t store_at; /* next byte of the settings to store; SETTINGS_BYTES = all stored */

    struct settings settings;
    struct input inputs[REEDPROOF_INPUTS];
    struct record_ring ring;
    struct trace_batch trace;
    struct selftest selftest;
    struct frame_reader reader;
    uint8_t body[COMMAND_BODY_MAX];
};

/* `settings_image` holds SETTINGS_BYTES as read from non-volatile memory, `levels` the first
 * reading of the pins. */
void device_init(struct device *device, const struct device_config *config,
                 const uint8_t *settings_image, uint32_t boot, uint8_t reset_cause, uint32_t now_us,
                 levels_t levels);

/* Levels at a time; call in order of time. False when that took next to no time: see device.c. */
bool device_sample(struct device *device, uint32_t time_us, levels_t levels);

/* Lets time pass when nothing changes; call often (at least once in half a second). */
void device_poll(struct device *device, uint32_t now_us);

/* Snapshots the sampler could not queue so far (wraps). */
void device_note_lost_snapshots(struct device *device, uint16_t lost);

/* One byte from the host; the time counts only with the zero byte that ends a frame. */
void device_receive(struct device *device, uint32_t now_us, uint8_t byte);

/* Writes at most one frame, if it fits in `room`; returns its length or 0. `room` below FRAME_MAX
 * may hold back a long message until there is more. */
uint8_t device_transmit(struct device *device, uint8_t *out, uint8_t room);

/* The next byte for the non-volatile memory; false when all is stored. */
bool device_store(struct device *device, uint16_t *address, uint8_t *byte);

/* While true, samples are ignored, the pins are driven as asked and their reading is handed in. */
static inline bool device_is_testing(const struct device *device) {
    return selftest_is_running(&device->selftest);
}
struct selftest_pins device_test_pins(const struct device *device);
void device_test(struct device *device, uint32_t now_us, levels_t closed);

bool device_lamp(const struct device *device, uint32_t now_us);

/* The host asked for a reboot, has been answered, and what it set is stored. */
bool device_wants_reboot(const struct device *device);

#endif
