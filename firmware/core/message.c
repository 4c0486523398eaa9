#include "message.h"

uint8_t *frame_time(uint8_t *at, struct board_time time) {
    at = frame_u32(at, time.low);
    return frame_u16(at, time.high);
}

uint8_t message_record(uint8_t *out, uint8_t sequence, const struct record *record) {
    uint8_t *at = frame_begin(out, (uint8_t)(MESSAGE_MADE + record->kind), sequence);
    at = frame_u32(at, record->number);
    if (record->kind == RECORD_LOST) {
        at = frame_u32(at, record->lost);
        return frame_end(out, at);
    }
    at = frame_u8(at, (uint8_t)(record->input + 1));
    at = frame_time(at, record->time);
    uint8_t details = record->kind == RECORD_FAULT ? 2 : RECORD_DETAILS;
    //@ loop unroll RECORD_DETAILS;
    for (uint8_t i = 0; i < details; i++) {
        at = frame_u8(at, record->detail[i]);
    }
    return frame_end(out, at);
}

uint8_t message_trace(uint8_t *out, uint8_t sequence, struct board_time first, uint16_t lost,
                      const struct trace_edge *edges, uint8_t count) {
    uint8_t *at = frame_begin(out, MESSAGE_TRACE, sequence);
    at = frame_time(at, first);
    at = frame_u16(at, lost);
    at = frame_u8(at, count);
    //@ loop unroll TRACE_BATCH;
    for (uint8_t i = 0; i < count; i++) {
        at = frame_u16(at, edges[i].after_us);
        at = frame_u8(at, edges[i].level);
    }
    return frame_end(out, at);
}

uint8_t message_time(uint8_t *out, uint8_t sequence, uint32_t token, struct board_time received,
                     struct board_time sent) {
    uint8_t *at = frame_begin(out, MESSAGE_TIME, sequence);
    at = frame_u32(at, token);
    at = frame_time(at, received);
    at = frame_time(at, sent);
    return frame_end(out, at);
}

uint8_t message_input_settings(uint8_t *out, uint8_t sequence, uint8_t input, uint16_t make_us,
                               uint16_t break_us) {
    uint8_t *at = frame_begin(out, MESSAGE_INPUT_SETTINGS, sequence);
    at = frame_u8(at, (uint8_t)(input + 1));
    at = frame_u16(at, make_us);
    at = frame_u16(at, break_us);
    return frame_end(out, at);
}

uint8_t message_board_settings(uint8_t *out, uint8_t sequence, uint32_t stuck_ms,
                               uint32_t silent_ms, uint16_t traffic, uint8_t chatter_edges) {
    uint8_t *at = frame_begin(out, MESSAGE_BOARD_SETTINGS, sequence);
    at = frame_u32(at, stuck_ms);
    at = frame_u32(at, silent_ms);
    at = frame_u16(at, traffic);
    at = frame_u8(at, chatter_edges);
    return frame_end(out, at);
}

uint8_t message_selftest(uint8_t *out, uint8_t sequence, uint8_t input, uint8_t verdict,
                         uint32_t partners) {
    uint8_t *at = frame_begin(out, MESSAGE_SELFTEST, sequence);
    at = frame_u8(at, (uint8_t)(input + 1));
    at = frame_u8(at, verdict);
    at = frame_u32(at, partners);
    return frame_end(out, at);
}

uint8_t message_reply(uint8_t *out, uint8_t sequence, uint8_t command, uint8_t command_sequence,
                      uint8_t status) {
    uint8_t *at = frame_begin(out, MESSAGE_REPLY, sequence);
    at = frame_u8(at, command);
    at = frame_u8(at, command_sequence);
    at = frame_u8(at, status);
    return frame_end(out, at);
}

uint16_t message_u16(const uint8_t *at) {
    return (uint16_t)(at[0] | (uint16_t)((uint16_t)at[1] << 8));
}

uint32_t message_u32(const uint8_t *at) {
    return message_u16(at) | (uint32_t)message_u16(at + 2) << 16;
}

/* A switch and not a table: small boards would keep the table in RAM. */
uint8_t command_length(uint8_t type) {
    switch (type) {
    case COMMAND_SELFTEST:
    case COMMAND_REBOOT:
        return 0;
    case COMMAND_HELLO:
    case COMMAND_GET_SETTINGS:
    case COMMAND_BLINK:
        return 1;
    case COMMAND_TIME_PROBE:
    case COMMAND_ARM:
    case COMMAND_TRACE:
    case COMMAND_NAME_BOARD:
        return 4;
    case COMMAND_SET_INPUT:
        return 5;
    case COMMAND_ACKNOWLEDGE:
        return 9;
    case COMMAND_SET_BOARD:
        return 11;
    default:
        return COMMAND_UNKNOWN;
    }
}

bool message_is_well_formed(const struct frame *frame) {
    switch (frame->type) {
    case MESSAGE_HELLO:
        return frame->length == 35;
    case MESSAGE_MADE:
    case MESSAGE_BROKE:
        return frame->length == 14;
    case MESSAGE_FAULT:
        return frame->length == 13;
    case MESSAGE_LOST:
        return frame->length == 8;
    case MESSAGE_HEARTBEAT:
        return frame->length == 40;
    case MESSAGE_TRACE:
        return frame->length >= 9 && frame->length == 9 + 3 * frame->payload[8];
    case MESSAGE_TIME:
        return frame->length == 16;
    case MESSAGE_INPUT_SETTINGS:
        return frame->length == 5;
    case MESSAGE_BOARD_SETTINGS:
        return frame->length == 11;
    case MESSAGE_SELFTEST:
        return frame->length == 6;
    case MESSAGE_REPLY:
        return frame->length == 3;
    default:
        return false;
    }
}
