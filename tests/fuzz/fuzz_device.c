/* The whole board under any sequence of calls that its header allows.
 *
 * Input: the board's size, its memory, clock and levels, then operations, each a byte and what it
 * takes. Commands get their CRC and stuffing here, for a fuzzer does not guess a CRC. After every
 * operation the board has to be in order: see check_state(), check_ring() and receive(). */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "device.h"
#include "reference.h"

#define POLL_US_MAX 400000 /* device.h asks for a poll in half a second */
#define PASS_US_MAX 70000000u
#define CELL_EPOCH 7 /* record_ring.c: not a record */
#define BLINK_S_MAX 60
#define SETTINGS_NONE 0xFF
#define NOT_A_COMMAND 0xFF

enum operation {
    PASS_SAMPLES,
    PASS_LONG,
    CHANGE_ONE,
    CHANGE_MANY,
    RECEIVE_RAW,
    RECEIVE_COMMAND,
    RECEIVE_BODY,
    RECEIVE_DAMAGED,
    ACKNOWLEDGE,
    TRANSMIT,
    TRANSMIT_ALL,
    STORE,
    TEST,
    LOSE_SNAPSHOTS,
    BOUNCE,
    REBOOT,
    OPERATIONS,
};

struct bench {
    struct device_config config;
    struct device *device;
    uint8_t memory[NV_BYTES];
    uint32_t now_us;
    uint32_t polled_us;
    levels_t levels; /* of the pins */
    bool sampled;    /* the device knows them */
    uint8_t line[256];
    size_t line_length; /* since the last zero byte; stays at its maximum */
    uint16_t bad;

    /* What went into the ring, by input. */
    uint32_t seen_number;
    uint32_t made[REEDPROOF_INPUTS];
    bool open[REEDPROOF_INPUTS];     /* a made without its broke yet */
    bool may_miss[REEDPROOF_INPUTS]; /* records were lost since */
};

/* protocol.md section 4, without looking at the core. */
static uint8_t length_of_command(uint8_t type) {
    static const uint8_t lengths[] = {1, 9, 4, 1, 5, 11, 4, 0, 4, 1, 0, 4};
    return type >= 0x40 && type < 0x40 + sizeof lengths ? lengths[type - 0x40] : NOT_A_COMMAND;
}

/* ---- what has to hold after every operation ---- */

static void note_record(struct bench *b, const struct record_cell *cell) {
    uint8_t input = cell->head & 31;
    HOLDS(input < b->config.inputs);
    switch (cell->head >> 5) {
    case RECORD_MADE: /* made and broken alternate but for what was lost */
        HOLDS(!b->open[input] || b->may_miss[input]);
        b->made[input]++;
        b->open[input] = true;
        b->may_miss[input] = false;
        break;
    case RECORD_BROKE:
        HOLDS(b->open[input]);
        b->open[input] = false;
        break;
    case RECORD_FAULT:
        HOLDS(cell->detail[FAULT_WHICH] == FAULT_STUCK_CLOSED ||
              cell->detail[FAULT_WHICH] == FAULT_NEVER_TRIGGERED ||
              cell->detail[FAULT_WHICH] == FAULT_CHATTER ||
              cell->detail[FAULT_WHICH] == FAULT_SHORTED);
        HOLDS(cell->detail[FAULT_IS_ACTIVE] <= 1);
        break;
    case RECORD_LOST:
        HOLDS(cell->word != 0);
        memset(b->may_miss, true, sizeof b->may_miss);
        break;
    default:
        HOLDS(cell->head >> 5 == CELL_EPOCH);
        break;
    }
}

/* The numbers in the ring and behind it have no gap, and every new record is noted. */
static void check_ring(struct bench *b) {
    const struct record_ring *ring = &b->device->ring;
    HOLDS(ring->count <= REEDPROOF_RING);
    HOLDS(ring->sent <= ring->count);
    HOLDS(ring->first < REEDPROOF_RING);
    uint32_t number = ring->first_number;
    uint16_t high = ring->first_high;
    HOLDS((int32_t)(b->seen_number - number) >= 0); /* only noted ones were forgotten */
    for (uint32_t i = 0; i < ring->count; i++) {
        if (i == ring->sent) {
            HOLDS(ring->sent_number == number);
            HOLDS(ring->sent_high == high);
        }
        const struct record_cell *cell = &ring->cells[(ring->first + i) % REEDPROOF_RING];
        uint8_t kind = cell->head >> 5;
        if (kind == CELL_EPOCH) {
            high = (uint16_t)cell->word;
            continue;
        }
        if ((int32_t)(number - b->seen_number) >= 0) {
            note_record(b, cell);
        }
        number += kind == RECORD_LOST ? cell->word : 1;
    }
    b->seen_number = number;
    if (ring->sent == ring->count) {
        HOLDS(ring->sent_number == number);
        HOLDS(ring->sent_high == high);
    }
    HOLDS(high == ring->last_high);
    HOLDS(number + ring->lost == ring->next_number);
    HOLDS((int32_t)(ring->ever_sent - ring->sent_number) >= 0);
    HOLDS((int32_t)(number - ring->ever_sent) >= 0);
}

static void check_input(const struct bench *b, uint8_t i) {
    const struct device *d = b->device;
    const struct debounce *debounce = &d->inputs[i].debounce;
    HOLDS((d->taken >> i & 1) == debounce->closed);
    /* Only the closing of an input that rests may wait. */
    HOLDS((d->levels >> i & 1) == debounce->closed || (d->levels & d->resting) >> i & 1);
    HOLDS((d->busy >> i & 1) == !debounce_is_settled(debounce));
    HOLDS((d->made >> i & 1) == (debounce->phase >= DEBOUNCE_CLOSED));
    HOLDS((d->faulty >> i & 1) == (d->inputs[i].fault.active != 0));
    const struct counters *counters = &d->inputs[i].counters;
    HOLDS(counters->closures == b->made[i] + counters->lost);
    HOLDS(counters->edges >= 2 * (counters->closures - (d->made >> i & 1)));
    HOLDS(debounce_settings_are_valid(&d->settings.inputs[i]));
}

static void check_state(struct bench *b) {
    const struct device *d = b->device;
    levels_t all = b->config.inputs == 32 ? UINT32_MAX : (UINT32_C(1) << b->config.inputs) - 1;
    check_ring(b);
    for (uint8_t i = 0; i < b->config.inputs; i++) {
        check_input(b, i);
    }
    HOLDS(!b->sampled || d->levels == (b->levels & all));
    HOLDS(((d->levels | d->taken | d->resting | d->busy | d->power_up | d->unrecorded |
            d->overlong | d->made | d->faulty | d->armed | d->traced) &
           ~all) == 0);
    HOLDS(fault_settings_are_valid(&d->settings.fault));
    HOLDS(d->trace.count <= TRACE_BATCH);
    HOLDS(d->blinking <= BLINK_S_MAX);
    HOLDS(d->store_at <= SETTINGS_BYTES);
    HOLDS(d->settings_due == SETTINGS_NONE || d->settings_due <= d->settings_last);
    HOLDS(d->settings_due == SETTINGS_NONE || d->settings_last <= b->config.inputs);
    HOLDS(d->beat_input < b->config.inputs);
    HOLDS(d->now.low - d->window_us < FAULT_WINDOW_US);
    HOLDS(d->reader.bad == b->bad);
    struct selftest_pins pins = device_test_pins(d);
    if (device_is_testing(d)) {
        HOLDS((pins.driven & (pins.driven - 1)) == 0);
        HOLDS((pins.driven & pins.pulled) == 0);
        HOLDS(((pins.driven | pins.pulled) & ~all) == 0);
    } else {
        HOLDS(pins.driven == 0);
    }
}

/* ---- time and levels ---- */

static void poll(struct bench *b) {
    struct board_time before = b->device->now;
    device_poll(b->device, b->now_us);
    b->polled_us = b->now_us;
    struct board_time now = b->device->now;
    HOLDS(now.low == b->now_us);
    HOLDS(now.high == (uint16_t)(before.high + (now.low < before.low)));
}

static void pass(struct bench *b, uint32_t time_us) {
    while (time_us != 0) {
        uint32_t left_us = POLL_US_MAX - (b->now_us - b->polled_us);
        uint32_t step_us = time_us < left_us ? time_us : left_us;
        b->now_us += step_us;
        time_us -= step_us;
        if (step_us == left_us) {
            poll(b);
        }
    }
}

static void sample(struct bench *b, levels_t levels) {
    b->levels = levels;
    b->sampled = !device_is_testing(b->device);
    device_sample(b->device, b->now_us, levels);
}

/* ---- the host's bytes ---- */

/* What a board may change for a frame that it refuses to obey: nothing but the answer. */
static void expect_refused(struct device *expected, const struct device *d,
                           const struct plain_frame *frame, uint8_t status) {
    HOLDS(d->reply_due);
    HOLDS(d->reply_command == frame->type);
    HOLDS(d->reply_sequence == frame->sequence);
    HOLDS(d->reply_status == status);
    expected->reply_due = true;
    expected->reply_command = frame->type;
    expected->reply_sequence = frame->sequence;
    expected->reply_status = status;
    expected->host_tick = d->tick;
}

static void receive(struct bench *b, uint8_t byte) {
    static struct device before;
    memcpy(&before, b->device, sizeof before);
    device_receive(b->device, b->now_us, byte);

    bool obeyed = false;
    if (byte != 0) {
        if (b->line_length < sizeof b->line) {
            b->line[b->line_length++] = byte;
        }
    } else {
        struct plain_frame frame;
        if (read_frame(b->line, b->line_length, COMMAND_BODY_MAX, &frame)) {
            uint8_t length = length_of_command(frame.type);
            obeyed = length == frame.length;
            if (obeyed && frame.type > COMMAND_TIME_PROBE) {
                HOLDS(b->device->reply_due);
                HOLDS(b->device->reply_command == frame.type);
                HOLDS(b->device->reply_sequence == frame.sequence);
            } else if (!obeyed) {
                expect_refused(&before, b->device, &frame,
                               length == NOT_A_COMMAND ? REPLY_UNKNOWN : REPLY_BAD_VALUE);
            }
        } else if (b->line_length != 0) {
            b->bad++;
        }
        b->line_length = 0;
    }
    if (!obeyed) {
        HOLDS(memcmp(b->device, &before, offsetof(struct device, reader)) == 0);
    }
}

static void receive_all(struct bench *b, const uint8_t *bytes, size_t length) {
    for (size_t i = 0; i < length; i++) {
        receive(b, bytes[i]);
    }
}

static void receive_body(struct bench *b, const uint8_t *body, size_t length) {
    uint8_t frame[FRAME_MAX];
    receive_all(b, frame, write_frame(frame, body, length));
}

static void receive_command(struct bench *b, struct feed *input) {
    uint8_t body[2 + 11] = {(uint8_t)(0x40 + take_u8(input) % 12), 0};
    size_t length = length_of_command(body[0]);
    body[1] = take_u8(input);
    take_bytes(input, body + 2, length);
    receive_body(b, body, 2 + length);
}

static void receive_damaged(struct bench *b, struct feed *input) {
    uint8_t body[COMMAND_BODY_MAX + 4];
    uint8_t frame[FRAME_MAX];
    uint8_t at = take_u8(input);
    uint8_t bit = take_u8(input) & 7;
    size_t size = write_frame(frame, body, take_bytes(input, body, take_u8(input) % sizeof body));
    frame[at % size] = (uint8_t)(frame[at % size] ^ (1 << bit));
    receive_all(b, frame, size);
}

static void acknowledge(struct bench *b, struct feed *input) {
    uint32_t next = b->device->ring.first_number + take_u8(input) % (REEDPROOF_RING + 2);
    uint8_t body[11] = {0x41};
    for (int i = 0; i < 4; i++) {
        body[2 + i] = (uint8_t)(b->device->boot >> (8 * i));
        body[6 + i] = (uint8_t)(next >> (8 * i));
    }
    body[10] = take_u8(input) & 1;
    receive_body(b, body, sizeof body);
}

/* ---- the board's frames ---- */

static size_t transmit(struct bench *b, uint8_t room) {
    uint8_t *out = malloc(room + (size_t)1); /* not a byte more than `room` may be written */
    out[room] = 0xA5;
    bool known = b->device->host_present || b->device->hello_due;
    uint8_t length = device_transmit(b->device, out, room);
    HOLDS(out[room] == 0xA5);
    HOLDS(length <= room && length <= FRAME_MAX);
    if (length != 0) {
        struct plain_frame plain;
        HOLDS(known);
        HOLDS(out[length - 1] == 0);
        HOLDS(memchr(out, 0, length) == out + length - 1);
        HOLDS(read_frame(out, length - (size_t)1, FRAME_MAX - 2, &plain));
        struct frame frame = {plain.type, plain.sequence, plain.length, plain.payload};
        HOLDS(message_is_well_formed(&frame));
        HOLDS(plain.sequence == (uint8_t)(b->device->sequence - 1));
    }
    free(out);
    return length;
}

static void transmit_all(struct bench *b) {
    /* 33 settings, the records, and one of each other kind at most */
    for (int i = 0; transmit(b, FRAME_MAX) != 0; i++) {
        HOLDS(i < 33 + REEDPROOF_RING + 8);
    }
}

/* ---- memory and reboot ---- */

static void store(struct bench *b) {
    uint16_t address;
    uint8_t byte;
    if (device_store(b->device, &address, &byte)) {
        HOLDS(address >= NV_SETTINGS_AT && address < NV_SETTINGS_AT + SETTINGS_BYTES);
        b->memory[address] = byte;
    }
}

static void boot(struct bench *b, uint8_t cause) {
    uint8_t at;
    uint8_t slot[BOOT_SLOT_BYTES];
    uint32_t number = boot_count(b->memory + NV_BOOT_AT, &at, slot);
    HOLDS(at <= BOOT_BYTES - BOOT_SLOT_BYTES);
    memcpy(b->memory + NV_BOOT_AT + at, slot, sizeof slot);
    b->polled_us = b->now_us;
    b->line_length = 0;
    b->bad = 0;
    b->seen_number = 0;
    memset(b->made, 0, sizeof b->made);
    memset(b->open, false, sizeof b->open);
    memset(b->may_miss, false, sizeof b->may_miss);
    memset(b->device, 0xA5, sizeof *b->device);
    device_init(b->device, &b->config, b->memory + NV_SETTINGS_AT, number, cause, b->now_us,
                b->levels);
    b->sampled = true;
}

/* All is stored first, as a board does, and comes back. */
static void reboot(struct bench *b) {
    struct settings kept;
    bool stored = b->device->store_at != SETTINGS_BYTES;
    for (size_t i = 0; i < SETTINGS_BYTES; i++) {
        store(b);
    }
    HOLDS(b->device->store_at == SETTINGS_BYTES);
    memcpy(&kept, &b->device->settings, sizeof kept);
    boot(b, RESET_REQUESTED);
    HOLDS(memcmp(&kept, &b->device->settings, sizeof kept) == 0);
    HOLDS(!stored || !b->device->settings_defaulted);
}

/* ---- one input of the fuzzer ---- */

static void operate(struct bench *b, struct feed *input) {
    uint8_t bytes[64];
    uint8_t count;
    switch ((enum operation)(take_u8(input) % OPERATIONS)) {
    case PASS_SAMPLES:
        pass(b, 50u * take_u8(input));
        break;
    case PASS_LONG:
        pass(b, (take_u32(input) >> take_u8(input) % 32) % PASS_US_MAX);
        break;
    case CHANGE_ONE:
        sample(b, b->levels ^ UINT32_C(1) << take_u8(input) % 32);
        break;
    case CHANGE_MANY:
        sample(b, b->levels ^ take_u32(input));
        break;
    case RECEIVE_RAW:
        count = take_u8(input) & 63;
        receive_all(b, bytes, take_bytes(input, bytes, count));
        break;
    case RECEIVE_COMMAND:
        receive_command(b, input);
        break;
    case RECEIVE_BODY:
        count = take_u8(input) % (COMMAND_BODY_MAX + 4);
        receive_body(b, bytes, take_bytes(input, bytes, count));
        break;
    case RECEIVE_DAMAGED:
        receive_damaged(b, input);
        break;
    case ACKNOWLEDGE:
        acknowledge(b, input);
        break;
    case TRANSMIT:
        transmit(b, take_u8(input));
        break;
    case TRANSMIT_ALL:
        transmit_all(b);
        break;
    case STORE:
        for (count = take_u8(input); count != 0; count--) {
            store(b);
        }
        break;
    case TEST:
        if (device_is_testing(b->device)) {
            b->levels = take_u32(input);
            b->polled_us = b->now_us;
            device_test(b->device, b->now_us, b->levels);
            b->sampled = !device_is_testing(b->device);
        }
        break;
    case LOSE_SNAPSHOTS:
        device_note_lost_snapshots(b->device, take_u8(input));
        break;
    case BOUNCE: /* many edges of one input, as chatter is */
        count = take_u8(input);
        uint8_t number = take_u8(input) % 32;
        uint32_t apart_us = 50u * take_u8(input);
        for (; count != 0; count--) {
            pass(b, apart_us);
            sample(b, b->levels ^ UINT32_C(1) << number);
        }
        break;
    default:
        reboot(b);
        break;
    }
    poll(b);
    if (device_wants_reboot(b->device)) {
        HOLDS(!b->device->reply_due);
        reboot(b);
    }
    device_lamp(b->device, b->now_us);
    check_state(b);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct feed input = {data, size};
    struct bench bench = {.device = malloc(sizeof(struct device))};
    uint8_t inputs = take_u8(&input);
    bench.config = (struct device_config){.build = 0xC0FFEE,
                                          .kind = BOARD_VIRTUAL,
                                          .inputs = (uint8_t)(1 + inputs % REEDPROOF_INPUTS),
                                          .sample_us = 50};
    memset(bench.memory, 0xFF, sizeof bench.memory);
    take_bytes(&input, bench.memory,
               take_u8(&input)); /* a CRC that fits is beyond guessing: damaged */
    bench.now_us = take_u32(&input);
    bench.levels = take_u32(&input);
    boot(&bench, RESET_POWER_ON);
    check_state(&bench);
    while (input.left != 0) {
        operate(&bench, &input);
    }
    free(bench.device);
    return 0;
}
