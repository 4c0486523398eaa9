#include "device.h"

#include <string.h> /* memset */

#include "width.h"

/* Past this the age of a closure is no longer followed: it has outgrown both the longest stuck_ms
 * and the width code of its duration, and 32 bits of microseconds would wrap. */
#define CLOSED_MS_MAX STUCK_MS_MAX
#define SETTINGS_NONE 0xFFu

/* Slow things are timed in ticks of 1.024 ms, in 16 bits: half the code of microseconds. None may
 * last half a minute. */
#define TICK_SHIFT 10
#define HOST_GONE_TICKS 5000   /* silence after which the board stops talking */
#define RESEND_TICKS 300       /* unacknowledged records are sent again after this */
#define BEAT_TICKS 30          /* the counters of 32 inputs about once a second */
#define REST_US UINT32_C(4096) /* a power of two; see advance() */
#define TRACE_HOLD_TICKS 4     /* a trace message waits this long for more edges */
#define LAMP_TICKS 60          /* a closure shorter than the eye notices still shows */
#define BLINK_S_MAX 60

static bool is_past(uint32_t now_us, uint32_t due_us) {
    return (int32_t)(now_us - due_us) >= 0;
}

static bool has_passed(const struct device *d, uint16_t since_tick, uint16_t ticks) {
    return (uint16_t)(d->tick - since_tick) >= ticks;
}

static levels_t all_inputs(const struct device *d) {
    return (levels_t)(level_bit((uint8_t)(d->config->inputs - 1)) * 2u - 1u);
}

static void count32(uint32_t *counter) {
    if (*counter != UINT32_MAX) {
        (*counter)++;
    }
}

static void add16(uint16_t *counter, uint16_t more) {
    uint16_t sum = (uint16_t)(*counter + more);
    *counter = sum < more ? UINT16_MAX : sum;
}

static void keep_longest(uint8_t *longest, uint8_t width) {
    if (width > *longest) {
        *longest = width;
    }
}

static uint8_t saturate8(uint16_t value) {
    return (uint8_t)(value > UINT8_MAX ? UINT8_MAX : value);
}

/* A time of the last half hour with its upper half. */
static struct board_time full_time(const struct device *d, uint32_t time_us) {
    struct board_time time = {.high = d->now.high, .low = time_us};
    if (time_us > d->now.low) {
        time.high--;
    }
    return time;
}

/* A time that the device has not been taken to yet. */
static struct board_time time_at(const struct device *d, uint32_t now_us) {
    struct board_time time = d->now;
    if (is_past(now_us, time.low)) {
        time.high = (uint16_t)(time.high + (now_us < time.low));
        time.low = now_us;
    }
    return time;
}

static bool push(struct device *d, struct record *record, uint8_t input, uint32_t time_us) {
    record->input = input;
    record->time = full_time(d, time_us);
    return record_ring_push(&d->ring, record);
}

static void report_faults(struct device *d, uint8_t input, uint8_t changed, uint32_t time_us) {
    if (changed == 0) {
        return;
    }
    levels_t bit = level_bit(input);
    d->faulty = (levels_t)(d->inputs[input].fault.active ? d->faulty | bit : d->faulty & ~bit);
    for (uint8_t which = FAULT_STUCK_CLOSED; which <= FAULT_SHORTED;
         which = (uint8_t)(which << 1)) {
        if (changed & which) {
            struct record record = {.kind = RECORD_FAULT};
            record.detail[FAULT_WHICH] = which;
            record.detail[FAULT_IS_ACTIVE] = (d->inputs[input].fault.active & which) != 0;
            push(d, &record, input, time_us);
        }
    }
}

static void closure_made(struct device *d, uint8_t input, const struct debounce_event *event) {
    levels_t bit = level_bit(input);
    struct counters *counters = &d->inputs[input].counters;
    struct fault *fault = &d->inputs[input].fault;
    count32(&counters->closures);
    add16(&d->closures_since_armed, 1);
    d->overlong = (levels_t)(d->overlong & ~bit);
    d->made |= bit;
    d->lit = true;
    d->lit_tick = d->tick;

    struct record record = {.kind = RECORD_MADE};
    record.detail[MADE_BOUNCES] = saturate8(event->pairs);
    record.detail[MADE_GAP] = event->longest;
    record.detail[MADE_SETTLE] = width_code(event->settle_us);
    if (!fault->muted && push(d, &record, input, event->time_us)) {
        d->unrecorded = (levels_t)(d->unrecorded & ~bit);
    } else {
        d->unrecorded |= bit;
        add16(&counters->lost, 1);
    }
    report_faults(d, input, fault_made(fault, (d->power_up & bit) != 0), event->time_us);
}

static void closure_broke(struct device *d, uint8_t input, const struct debounce_event *event) {
    levels_t bit = level_bit(input);
    d->made = (levels_t)(d->made & ~bit);
    if (!(d->unrecorded & bit)) {
        uint32_t duration_ms = (d->overlong & bit) ? WIDTH_MAX : event->duration_us / 1000;
        struct record record = {.kind = RECORD_BROKE};
        record.detail[BROKE_BOUNCES] = saturate8(event->pairs);
        record.detail[BROKE_DROPOUTS] = event->dropouts;
        record.detail[BROKE_DURATION] = width_code(duration_ms);
        push(d, &record, input, event->time_us);
    }
    report_faults(d, input, fault_broke(&d->inputs[input].fault), event->time_us);
}

static void handle(struct device *d, uint8_t input, const struct debounce_event *event) {
    struct counters *counters = &d->inputs[input].counters;
    switch (event->kind) {
    case DEBOUNCE_MADE:
        closure_made(d, input, event);
        break;
    case DEBOUNCE_BROKE:
        closure_broke(d, input, event);
        break;
    case DEBOUNCE_BLIP:
        add16(&counters->blips, event->pairs);
        keep_longest(&counters->longest_blip, event->longest);
        break;
    case DEBOUNCE_DROPOUT:
        add16(&counters->dropouts, event->pairs);
        keep_longest(&counters->longest_dropout, event->longest);
        break;
    default:
        break;
    }
    if (debounce_is_settled(&d->inputs[input].debounce)) {
        d->busy = (levels_t)(d->busy & ~level_bit(input));
    }
}

/* No busy input has anything fall due before `due_us`. An edge moves an input's time on and leaves
 * this one too early, which costs one look. */
static void note_due(struct device *d, uint16_t left_us) {
    uint32_t due_us = d->now.low + left_us;
    if (is_past(d->due_us, due_us)) {
        d->due_us = due_us;
    }
}

/* What fell due up to `now_us`, which lies in the second at hand. */
static void settle(struct device *d, uint32_t now_us) {
    if (now_us < d->now.low) {
        d->now.high++;
    }
    d->now.low = now_us;
    d->tick = (uint16_t)(now_us >> TICK_SHIFT);
    if (!is_past(now_us, d->due_us)) {
        return;
    }
    uint16_t soonest_us = UINT16_MAX;
    levels_t busy = d->busy;
    struct input *input = d->inputs;
    const struct debounce_settings *settings = d->settings.inputs;
    //@ loop unroll REEDPROOF_INPUTS;
    for (uint8_t i = 0; busy != 0; i++, busy >>= 1, input++, settings++) {
        if (busy & 1) {
            uint16_t left_us = debounce_left(&input->debounce, settings, now_us);
            if (left_us == 0) {
                struct debounce_event event;
                //@ dynamic_split event.kind;
                debounce_settle(&input->debounce, settings, now_us, &event);
                handle(d, i, &event);
                //@ merge event.kind;
            } else if (left_us < soonest_us) {
                soonest_us = left_us;
            }
        }
    }
    d->due_us = now_us + soonest_us;
}

static void end_second(struct device *d) {
    uint32_t end_us = d->window_us + FAULT_WINDOW_US;
    settle(d, end_us);
    d->window_us = end_us;
    d->seconds++;
    if (d->blinking != 0) {
        d->blinking--;
    }
    uint32_t armed_s = d->seconds - d->armed_at_s;
    uint32_t armed_ms = armed_s > UINT32_MAX / 1000 ? UINT32_MAX : armed_s * 1000;
    for (uint8_t i = 0; i < d->config->inputs; i++) {
        const struct fault_settings *settings = &d->settings.fault;
        struct fault *fault = &d->inputs[i].fault;
        levels_t bit = level_bit(i);
        uint8_t changed = fault_window(fault, settings);
        if (d->made & bit & ~d->overlong) {
            uint32_t closed_ms = (end_us - d->inputs[i].debounce.made_us) / 1000;
            changed |= fault_closed(fault, settings, closed_ms);
            if (closed_ms > CLOSED_MS_MAX) {
                d->overlong |= bit;
            }
        }
        if (d->armed & bit) {
            changed |= fault_silence(fault, settings, armed_ms, d->closures_since_armed);
        }
        report_faults(d, i, changed, end_us);
    }
}

static void trace_edge(struct device *d, uint8_t input, bool closed) {
    struct trace_batch *batch = &d->trace;
    uint32_t after_us = batch->count == 0 ? 0 : d->now.low - batch->last_us;
    if (batch->count == TRACE_BATCH || after_us > UINT16_MAX) {
        batch->lost++;
        return;
    }
    if (batch->count == 0) {
        batch->first = d->now;
    }
    batch->last_us = d->now.low;
    struct trace_edge *edge = &batch->edges[batch->count++];
    edge->after_us = (uint16_t)after_us;
    edge->level = (uint8_t)((input + 1) | (closed ? 0x80 : 0));
}

/* What would be an edge: a resting input's closing waits. */
static levels_t news(const struct device *d, levels_t levels) {
    return (levels_t)((levels ^ d->taken) & ~(levels & d->resting));
}

static void take_edges(struct device *d) {
    levels_t changed = news(d, d->levels);
    d->taken ^= changed;
    d->busy |= changed;
    uint16_t soonest_us = UINT16_MAX;
    levels_t bit = 1;
    /* Pointers that walk along: an index would be multiplied by the size at every turn. */
    struct input *input = d->inputs;
    const struct debounce_settings *settings = d->settings.inputs;
    //@ loop unroll REEDPROOF_INPUTS;
    for (uint8_t i = 0; changed != 0; i++, bit = (levels_t)(bit << 1), input++, settings++) {
        if (!(changed & bit)) {
            continue;
        }
        changed ^= bit;
        struct debounce_event event;
        //@ dynamic_split event.kind;
        count32(&input->counters.edges);
        debounce_edge(&input->debounce, settings, d->now.low, &event);
        if (event.kind != DEBOUNCE_NOTHING) {
            handle(d, i, &event);
        }
        //@ merge event.kind;
        uint8_t faults = fault_edge(&input->fault, &d->settings.fault);
        if (faults != 0) {
            report_faults(d, i, faults, d->now.low);
        }
        if (fault_is_storm(&input->fault)) {
            d->resting |= bit;
        } else if ((d->traced & bit) && !input->fault.muted) {
            trace_edge(d, i, input->debounce.closed);
        }
        uint16_t left_us = debounce_limit_us(&input->debounce, settings);
        if (left_us < soonest_us) {
            soonest_us = left_us;
        }
    }
    note_due(d, soonest_us);
    d->power_up &= d->taken;
}

static void take_levels(struct device *d, levels_t levels) {
    d->levels = levels & all_inputs(d);
    take_edges(d);
}

/* Second by second, so that the result does not depend on how often the caller looks. */
static void pass(struct device *d, uint32_t now_us) {
    while (now_us - d->window_us >= FAULT_WINDOW_US) {
        end_second(d);
    }
    settle(d, now_us);
}

/* An input in a storm rests after each edge: openings are taken all the same, a closing that is
 * still there at the next multiple of REST_US. So the storm costs two edges an input and REST_US,
 * however wild it is, and nothing counts as closed that did not stand for make_us. */
static void advance(struct device *d, uint32_t now_us) {
    if (!is_past(now_us, d->now.low)) {
        return;
    }
    while (d->resting != 0) { /* what closes at the end of a rest may begin another one */
        uint32_t over_us = (d->now.low | (REST_US - 1)) + 1;
        if (!is_past(now_us, over_us)) {
            break;
        }
        pass(d, over_us);
        d->resting = 0;
        take_edges(d);
    }
    pass(d, now_us);
}

void device_init(struct device *d, const struct device_config *config,
                 const uint8_t *settings_image, uint32_t boot, uint8_t reset_cause, uint32_t now_us,
                 levels_t levels) {
    memset(d, 0, sizeof *d);
    d->config = config;
    d->boot = boot;
    d->reset_cause = reset_cause;
    d->settings_defaulted = !settings_load(&d->settings, settings_image);
    d->store_at = SETTINGS_BYTES;
    d->settings_due = SETTINGS_NONE;
    d->now.low = now_us;
    d->window_us = now_us;
    d->due_us = now_us;
    d->tick = (uint16_t)(now_us >> TICK_SHIFT);
    d->hello_due = true;
    record_ring_init(&d->ring);
    selftest_init(&d->selftest);
    frame_reader_init(&d->reader, d->body, COMMAND_BODY_MAX);
    for (uint8_t i = 0; i < REEDPROOF_INPUTS; i++) {
        debounce_init(&d->inputs[i].debounce);
        fault_init(&d->inputs[i].fault);
    }
    d->power_up = levels & all_inputs(d);
    take_levels(d, levels);
}

bool device_sample(struct device *d, uint32_t time_us, levels_t levels) {
    if (device_is_testing(d)) {
        return false;
    }
    /* Nearly all that a storm samples ends here. */
    if (news(d, levels) == 0 && ((time_us ^ d->now.low) & ~(REST_US - 1)) == 0) {
        d->levels = levels;
        return false;
    }
    advance(d, time_us);
    take_levels(d, levels);
    return true;
}

void device_poll(struct device *d, uint32_t now_us) {
    advance(d, now_us);
    if (has_passed(d, d->host_tick, HOST_GONE_TICKS)) {
        d->host_present = false;
    }
    if (has_passed(d, d->lit_tick, LAMP_TICKS)) {
        d->lit = false;
    }
}

void device_note_lost_snapshots(struct device *d, uint16_t lost) {
    d->snapshots_lost = lost;
}

/* ---- commands ---- */

static uint8_t set_input(struct device *d, const uint8_t *payload) {
    uint8_t input = payload[0];
    struct debounce_settings settings = {.make_us = message_u16(payload + 1),
                                         .break_us = message_u16(payload + 3)};
    if (input > d->config->inputs || !debounce_settings_are_valid(&settings)) {
        return REPLY_BAD_VALUE;
    }
    uint8_t first = input == 0 ? 0 : (uint8_t)(input - 1);
    uint8_t end = input == 0 ? d->config->inputs : input;
    for (uint8_t i = first; i < end; i++) {
        d->settings.inputs[i] = settings;
    }
    d->due_us = d->now.low; /* shorter times may have passed already */
    d->store_at = 0;
    return REPLY_DONE;
}

static uint8_t set_board(struct device *d, const uint8_t *payload) {
    struct fault_settings settings = {.stuck_ms = message_u32(payload),
                                      .silent_ms = message_u32(payload + 4),
                                      .traffic = message_u16(payload + 8),
                                      .chatter_edges = payload[10]};
    if (!fault_settings_are_valid(&settings)) {
        return REPLY_BAD_VALUE;
    }
    d->settings.fault = settings;
    d->store_at = 0;
    return REPLY_DONE;
}

static uint8_t arm(struct device *d, levels_t inputs) {
    d->armed = inputs & all_inputs(d);
    d->armed_at_s = d->seconds + 1; /* the second at hand does not count */
    d->closures_since_armed = 0;
    for (uint8_t i = 0; i < d->config->inputs; i++) {
        report_faults(d, i, fault_arm(&d->inputs[i].fault), d->now.low);
    }
    return REPLY_DONE;
}

/* Settings are sent as a row of messages: 0 is the board's, then one per input. */
static uint8_t get_settings(struct device *d, uint8_t input) {
    if (input > d->config->inputs) {
        return REPLY_BAD_VALUE;
    }
    d->settings_due = input;
    d->settings_last = input == 0 ? d->config->inputs : input;
    return REPLY_DONE;
}

static void acknowledge(struct device *d, const uint8_t *payload) {
    if (message_u32(payload) != d->boot) {
        return; /* meant for an earlier life of this board */
    }
    if (record_ring_acknowledge(&d->ring, message_u32(payload + 4))) {
        d->sent_tick = d->tick;
    }
    if (payload[8] != 0) {
        record_ring_rewind(&d->ring);
    }
}

static uint8_t obey(struct device *d, uint8_t type, const uint8_t *payload) {
    switch (type) {
    case COMMAND_SET_INPUT:
        return set_input(d, payload);
    case COMMAND_SET_BOARD:
        return set_board(d, payload);
    case COMMAND_GET_SETTINGS:
        return get_settings(d, payload[0]);
    case COMMAND_ARM:
        return arm(d, (levels_t)message_u32(payload));
    case COMMAND_SELFTEST:
        if (device_is_testing(d)) {
            return REPLY_BUSY;
        }
        selftest_start(&d->selftest, all_inputs(d));
        return REPLY_DONE;
    case COMMAND_TRACE:
        d->traced = (levels_t)message_u32(payload) & all_inputs(d);
        return REPLY_DONE;
    case COMMAND_BLINK:
        if (payload[0] > BLINK_S_MAX) {
            return REPLY_BAD_VALUE;
        }
        d->blinking = payload[0];
        return REPLY_DONE;
    case COMMAND_REBOOT:
        d->reboot = true;
        return REPLY_DONE;
    default: /* COMMAND_NAME_BOARD */
        d->settings.board = message_u32(payload);
        d->store_at = 0;
        return REPLY_DONE;
    }
}

static void reply(struct device *d, const struct frame *frame, uint8_t status) {
    d->reply_due = true;
    d->reply_command = frame->type;
    d->reply_sequence = frame->sequence;
    d->reply_status = status;
}

void device_receive(struct device *d, uint32_t now_us, uint8_t byte) {
    struct frame frame = {0};
    if (!frame_take(&d->reader, byte, &frame)) {
        return;
    }
    d->host_tick = d->tick;
    uint8_t length = command_length(frame.type);
    if (length != frame.length) {
        reply(d, &frame, length == COMMAND_UNKNOWN ? REPLY_UNKNOWN : REPLY_BAD_VALUE);
        return;
    }
    switch (frame.type) {
    case COMMAND_HELLO: /* a host has come: records are for it, what another one asked for is not */
        d->host_present = true;
        d->hello_due = true;
        d->reboot = false;
        d->reply_due = false;
        d->time_due = false;
        d->settings_due = SETTINGS_NONE;
        d->traced = 0;
        d->trace.count = 0;
        record_ring_rewind(&d->ring);
        break;
    case COMMAND_ACKNOWLEDGE:
        acknowledge(d, frame.payload);
        break;
    case COMMAND_TIME_PROBE:
        d->time_due = true;
        d->time_token = message_u32(frame.payload);
        d->time_received = time_at(d, now_us);
        break;
    default:
        reply(d, &frame, obey(d, frame.type, frame.payload));
        break;
    }
}

/* ---- messages, in order of urgency ---- */

static uint8_t send_hello(struct device *d, uint8_t *out) {
    uint8_t *at = frame_begin(out, MESSAGE_HELLO, d->sequence++);
    at = frame_u8(at, PROTOCOL_VERSION);
    at = frame_u32(at, d->config->build);
    at = frame_u8(at, d->config->kind);
    at = frame_u32(at, d->settings.board);
    at = frame_u32(at, d->boot);
    at = frame_u8(at, d->reset_cause);
    at = frame_u8(at, d->config->inputs);
    at = frame_u16(at, d->config->sample_us);
    at = frame_u8(at, d->settings_defaulted ? HELLO_FLAG_DEFAULTS : 0);
    at = frame_time(at, d->now);
    at = frame_u32(at, d->ring.first_number);
    at = frame_u32(at, d->ring.next_number);
    at = frame_u16(at, REEDPROOF_RING);
    d->hello_due = false;
    return frame_end(out, at);
}

static uint8_t send_settings(struct device *d, uint8_t *out) {
    uint8_t which = d->settings_due;
    d->settings_due = which < d->settings_last ? (uint8_t)(which + 1) : SETTINGS_NONE;
    if (which == 0) {
        const struct fault_settings *fault = &d->settings.fault;
        return message_board_settings(out, d->sequence++, fault->stuck_ms, fault->silent_ms,
                                      fault->traffic, fault->chatter_edges);
    }
    uint8_t input = (uint8_t)(which - 1);
    const struct debounce_settings *settings = &d->settings.inputs[input];
    return message_input_settings(out, d->sequence++, input, settings->make_us, settings->break_us);
}

static uint8_t send_selftest(struct device *d, uint8_t *out) {
    struct selftest_result result = selftest_result(&d->selftest);
    d->selftest_due = false;
    uint8_t changed =
        fault_shorted(&d->inputs[result.input].fault, result.verdict == SELFTEST_SHORTED);
    report_faults(d, result.input, changed, d->now.low);
    return message_selftest(out, d->sequence++, result.input, result.verdict, result.partners);
}

/* The board's state and, in rotation, one input's counters. */
static uint8_t send_heartbeat(struct device *d, uint8_t *out) {
    uint8_t input = d->beat_input;
    const struct counters *counters = &d->inputs[input].counters;
    uint8_t *at = frame_begin(out, MESSAGE_HEARTBEAT, d->sequence++);
    at = frame_time(at, d->now);
    at = frame_u32(at, d->ring.next_number);
    at = frame_u32(at, d->ring.first_number);
    at = frame_u16(at, d->snapshots_lost);
    at = frame_u16(at, d->reader.bad);
    at = frame_u32(at, d->levels);
    at = frame_u8(at, (uint8_t)(input + 1));
    at = frame_u8(at, d->inputs[input].fault.active);
    at = frame_u32(at, counters->edges);
    at = frame_u32(at, counters->closures);
    at = frame_u16(at, counters->lost);
    at = frame_u16(at, counters->blips);
    at = frame_u16(at, counters->dropouts);
    at = frame_u8(at, counters->longest_blip);
    at = frame_u8(at, counters->longest_dropout);
    d->beat_tick = d->tick;
    d->others_first = false;
    d->beat_input = (uint8_t)(input + 1) < d->config->inputs ? (uint8_t)(input + 1) : 0;
    return frame_end(out, at);
}

static uint8_t send_record(struct device *d, uint8_t *out) {
    struct record record;
    if (!record_ring_next(&d->ring, &record)) {
        return 0; /* only the upper half of a time was left */
    }
    d->sent_tick = d->tick;
    return message_record(out, d->sequence++, &record);
}

static bool trace_is_due(const struct device *d) {
    uint16_t first_tick = (uint16_t)(d->trace.first.low >> TICK_SHIFT);
    return d->trace.count == TRACE_BATCH ||
           (d->trace.count != 0 && has_passed(d, first_tick, TRACE_HOLD_TICKS));
}

static uint8_t send_trace(struct device *d, uint8_t *out) {
    struct trace_batch *batch = &d->trace;
    uint8_t count = batch->count;
    batch->count = 0;
    d->others_first = true;
    return message_trace(out, d->sequence++, batch->first, batch->lost, batch->edges, count);
}

uint8_t device_transmit(struct device *d, uint8_t *out, uint8_t room) {
    if (d->hello_due) {
        return room < MESSAGE_HELLO_MAX ? 0 : send_hello(d, out);
    }
    if (!d->host_present || room < MESSAGE_SMALL_MAX) {
        return 0;
    }
    if (d->reply_due) {
        d->reply_due = false;
        return message_reply(out, d->sequence++, d->reply_command, d->reply_sequence,
                             d->reply_status);
    }
    if (d->time_due) {
        d->time_due = false;
        /* The device may not have been taken to the time of arrival yet. */
        struct board_time sent =
            is_past(d->now.low, d->time_received.low) ? d->now : d->time_received;
        return message_time(out, d->sequence++, d->time_token, d->time_received, sent);
    }
    if (d->settings_due != SETTINGS_NONE) {
        return send_settings(d, out);
    }
    if (d->selftest_due) {
        return send_selftest(d, out);
    }
    /* Traces take turns with the others: they could fill the line, and records are the promise. */
    if (trace_is_due(d) && !d->others_first) {
        return room < MESSAGE_TRACE_MAX ? 0 : send_trace(d, out);
    }
    if (has_passed(d, d->beat_tick, BEAT_TICKS)) {
        return room < MESSAGE_HEARTBEAT_MAX ? 0 : send_heartbeat(d, out);
    }
    d->others_first = false;
    if (record_ring_has_unsent(&d->ring)) {
        return send_record(d, out);
    }
    if (record_ring_has_unacknowledged(&d->ring) && has_passed(d, d->sent_tick, RESEND_TICKS)) {
        record_ring_rewind(&d->ring);
    }
    return 0;
}

bool device_store(struct device *d, uint16_t *address, uint8_t *byte) {
    if (d->store_at == SETTINGS_BYTES) {
        return false;
    }
    *address = (uint16_t)(NV_SETTINGS_AT + d->store_at);
    *byte = settings_byte(&d->settings, d->store_at, &d->store_crc);
    d->store_at++;
    return true;
}

struct selftest_pins device_test_pins(const struct device *d) {
    return selftest_pins(&d->selftest);
}

void device_test(struct device *d, uint32_t now_us, levels_t closed) {
    advance(d, now_us);
    d->selftest_due = selftest_step(&d->selftest, d->now.low, closed);
    if (d->selftest_due && !d->host_present) {
        /* Nobody is left to hear the result; the inputs must not stay blind for that. */
        selftest_abort(&d->selftest);
        d->selftest_due = false;
    }
    if (!device_is_testing(d)) {
        take_levels(d, closed); /* what changed meanwhile, at the time it was seen */
    }
}

bool device_lamp(const struct device *d, uint32_t now_us) {
    uint8_t phase = (uint8_t)(now_us >> 16); /* about 15 steps a second */
    if (d->blinking != 0) {
        return (phase & 1) != 0;
    }
    if (d->faulty != 0) {
        return (phase & 0x1B) == 0; /* two short flashes in two seconds */
    }
    return d->made != 0 || d->lit;
}

bool device_wants_reboot(const struct device *d) {
    return d->reboot && !d->reply_due && d->store_at == SETTINGS_BYTES;
}
