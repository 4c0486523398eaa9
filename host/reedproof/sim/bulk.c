#include "bulk.h"

#include <string.h>

#include "frame.h"
#include "message.h"
#include "pause.h"

struct input_state {
    struct bulk_input
        total; /* copied out at the end: close to the rest, an edge touches one line */
    struct debounce debounce;
    struct fault fault;
    int64_t edge_us; /* last edge in 64 bits, to find the upper half of the core's times */
    int64_t made_us;
    int64_t second_end_us;
    size_t open; /* index of the closure that lasts */
};

struct run {
    const struct bulk_settings *settings;
    struct bulk_closure *closures;
    size_t room;
    size_t count;
    struct input_state states[REEDPROOF_INPUTS];
};

/* `time_us` as the core has it lies at most half its range before `now_us`. */
static int64_t whole_time(uint32_t time_us, int64_t now_us) {
    return now_us - (uint32_t)((uint32_t)now_us - time_us);
}

static void note_age(struct run *run, uint8_t input, int64_t until_us) {
    struct input_state *state = &run->states[input];
    int64_t closed_ms = (until_us - state->made_us) / 1000;
    fault_closed(&state->fault, &run->settings->fault,
                 closed_ms > UINT32_MAX ? UINT32_MAX : (uint32_t)closed_ms);
    state->total.faults |= state->fault.active;
}

static void handle(struct run *run, uint8_t input, const struct debounce_event *event,
                   int64_t now_us) {
    struct input_state *state = &run->states[input];
    struct bulk_input *total = &state->total;
    switch (event->kind) {
    case DEBOUNCE_MADE:
        state->made_us = whole_time(event->time_us, now_us);
        state->open = run->count;
        total->closures++;
        if (run->count < run->room) {
            struct bulk_closure *closure = &run->closures[run->count];
            closure->made_us = state->made_us;
            closure->broke_us = BULK_STILL_CLOSED;
            closure->make_bounces = event->pairs;
            closure->break_bounces = 0;
            closure->dropouts = 0;
            closure->input = (uint8_t)(input + 1);
        }
        run->count++;
        fault_made(&state->fault, false);
        break;
    case DEBOUNCE_BROKE: {
        int64_t broke_us = whole_time(event->time_us, now_us);
        if (state->open < run->room) {
            struct bulk_closure *closure = &run->closures[state->open];
            closure->broke_us = broke_us;
            closure->break_bounces = event->pairs;
            closure->dropouts = event->dropouts;
        }
        note_age(run, input, broke_us);
        fault_broke(&state->fault);
        break;
    }
    case DEBOUNCE_BLIP:
        total->blips += event->pairs;
        if (event->longest > total->longest_blip) {
            total->longest_blip = event->longest;
        }
        break;
    case DEBOUNCE_DROPOUT:
        total->dropouts += event->pairs;
        if (event->longest > total->longest_dropout) {
            total->longest_dropout = event->longest;
        }
        break;
    default:
        break;
    }
}

static void settle(struct run *run, uint8_t input, int64_t now_us) {
    struct debounce_event event;
    debounce_settle(&run->states[input].debounce, &run->settings->inputs[input], (uint32_t)now_us,
                    &event);
    handle(run, input, &event, now_us);
}

/* The seconds that ended since the last edge: one with its edges, then perhaps calm ones, of which
 * one says as much as many. */
static void end_seconds(struct run *run, struct input_state *state, int64_t time_us) {
    fault_window(&state->fault, &run->settings->fault);
    if (time_us >= state->second_end_us + FAULT_WINDOW_US) {
        fault_window(&state->fault, &run->settings->fault);
    }
    state->second_end_us = (time_us / FAULT_WINDOW_US + 1) * FAULT_WINDOW_US;
}

static void take_edge(struct run *run, uint8_t input, int64_t time_us) {
    struct input_state *state = &run->states[input];
    struct debounce *debounce = &state->debounce;
    if (time_us - state->edge_us > PAUSE_MAX_US) {
        settle(run, input, state->edge_us + DECIDED_US);
    }
    if (time_us >= state->second_end_us) {
        end_seconds(run, state, time_us);
    }
    struct debounce_event event;
    debounce_edge(debounce, &run->settings->inputs[input], (uint32_t)time_us, &event);
    if (event.kind != DEBOUNCE_NOTHING) {
        handle(run, input, &event, time_us);
    }
    state->edge_us = time_us;
    state->total.edges++;
    if (fault_edge(&state->fault, &run->settings->fault) != 0) {
        state->total.faults |= state->fault.active;
    }
}

/* A closure that lasts at the end is judged by the time that was recorded. */
static void leave_closed(struct run *run, uint8_t input, int64_t end_us) {
    struct input_state *state = &run->states[input];
    if (state->debounce.phase < DEBOUNCE_CLOSED) {
        return;
    }
    if (state->open < run->room) {
        run->closures[state->open].dropouts = state->debounce.dropouts;
    }
    note_age(run, input, end_us);
}

size_t bulk_replay(const int64_t *times_us, const uint8_t *inputs, size_t edges,
                   const struct bulk_settings *settings, struct bulk_closure *closures, size_t room,
                   struct bulk_input *totals) {
    struct run run = {.settings = settings, .closures = closures, .room = room};
    for (uint8_t i = 0; i < REEDPROOF_INPUTS; i++) {
        debounce_init(&run.states[i].debounce);
        fault_init(&run.states[i].fault);
        run.states[i].second_end_us = edges ? times_us[0] : 0;
    }
    for (size_t i = 0; i < edges; i++) {
        take_edge(&run, (uint8_t)(inputs[i] - 1), times_us[i]);
    }
    int64_t end_us = edges ? times_us[edges - 1] : 0;
    for (uint8_t i = 0; i < REEDPROOF_INPUTS; i++) {
        settle(&run, i, run.states[i].edge_us + DECIDED_US);
        leave_closed(&run, i, end_us);
        totals[i] = run.states[i].total;
    }
    return run.count;
}

size_t bulk_decode(const uint8_t *bytes, size_t length, struct bulk_frame *frames, size_t room,
                   size_t *bad) {
    uint8_t body[FRAME_MAX] = {0};
    struct frame_reader reader;
    size_t count = 0;
    size_t refused = 0;
    uint16_t seen_bad = 0;
    frame_reader_init(&reader, body, FRAME_MAX - 2);
    for (size_t i = 0; i < length; i++) {
        struct frame frame;
        bool good = frame_take(&reader, bytes[i], &frame);
        if (bytes[i] != 0) {
            continue;
        }
        refused += (uint16_t)(reader.bad - seen_bad);
        seen_bad = reader.bad;
        if (!good) {
            continue;
        }
        if (!message_is_well_formed(&frame)) {
            refused++;
            continue;
        }
        if (count < room) {
            struct bulk_frame *out = &frames[count];
            out->type = frame.type;
            out->sequence = frame.sequence;
            out->length = frame.length;
            /* all of it: a copy of known length costs less than one of the right length */
            memcpy(out->payload, frame.payload, sizeof out->payload);
        }
        count++;
    }
    *bad = refused;
    return count;
}

size_t bulk_idle(struct device *device, uint32_t now_us, uint32_t step_us, size_t steps,
                 uint8_t *out, uint8_t *length) {
    size_t made = 0;
    *length = 0;
    while (made < steps && *length == 0) {
        now_us += step_us;
        made++;
        device_poll(device, now_us);
        *length = device_transmit(device, out, FRAME_MAX);
    }
    return made;
}
