/* The core over whole arrays: what the host does in bulk, in C. Not part of the firmware. */
#ifndef REEDPROOF_BULK_H
#define REEDPROOF_BULK_H

#include <stddef.h>
#include <stdint.h>

#include "debounce.h"
#include "device.h"
#include "fault.h"
#include "levels.h"

struct bulk_closure {
    int64_t made_us;
    int64_t broke_us; /* BULK_STILL_CLOSED while it lasts */
    uint16_t make_bounces;
    uint16_t break_bounces;
    uint16_t dropouts;
    uint8_t input; /* from 1 */
};

#define BULK_STILL_CLOSED INT64_MIN

struct bulk_input {
    uint64_t edges;
    uint64_t blips;
    uint64_t dropouts;
    uint64_t closures;
    uint8_t faults;       /* every enum fault_bit that came up */
    uint8_t longest_blip; /* width codes */
    uint8_t longest_dropout;
};

struct bulk_settings {
    struct debounce_settings inputs[REEDPROOF_INPUTS];
    struct fault_settings fault;
};

/* Runs edges through debounce and fault detection. `times_us` must not decrease, every edge must
 * change its input's level, inputs start open and are numbered from 1. Levels stay as they are
 * after the last edge. Returns the number of closures; writes the first `room` of them; those of
 * one input are in order of time. `totals` has REEDPROOF_INPUTS entries. */
size_t bulk_replay(const int64_t *times_us, const uint8_t *inputs, size_t edges,
                   const struct bulk_settings *settings, struct bulk_closure *closures, size_t room,
                   struct bulk_input *totals);

struct bulk_frame {
    uint8_t type;
    uint8_t sequence;
    uint8_t length;
    uint8_t payload[58];
};

/* Decodes a stored stream from the board. Returns the number of good frames; writes the first
 * `room` of them; counts refused ones in `bad`. */
size_t bulk_decode(const uint8_t *bytes, size_t length, struct bulk_frame *frames, size_t room,
                   size_t *bad);

/* Lets time pass in `steps` steps of `step_us` while nothing changes and nothing is received, polled
 * and asked for a frame at each. Ends early with the first one, which goes to `out` (FRAME_MAX bytes),
 * its length to `length`. Returns the steps made. */
size_t bulk_idle(struct device *device, uint32_t now_us, uint32_t step_us, size_t steps,
                 uint8_t *out, uint8_t *length);

#endif
