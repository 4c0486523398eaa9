/* Messages as protocol.md defines them: type, fixed length, fields little-endian. */
#ifndef REEDPROOF_MESSAGE_H
#define REEDPROOF_MESSAGE_H

#include <stdbool.h>
#include <stdint.h>

#include "frame.h"
#include "record.h"

#define PROTOCOL_VERSION 1

enum message_type {
    MESSAGE_HELLO = 0x01,
    MESSAGE_MADE = 0x02,
    MESSAGE_BROKE = 0x03,
    MESSAGE_FAULT = 0x04,
    MESSAGE_LOST = 0x05,
    MESSAGE_HEARTBEAT = 0x06,
    MESSAGE_TRACE = 0x07,
    MESSAGE_TIME = 0x08,
    MESSAGE_INPUT_SETTINGS = 0x09,
    MESSAGE_BOARD_SETTINGS = 0x0A,
    MESSAGE_SELFTEST = 0x0B,
    MESSAGE_REPLY = 0x0C,

    COMMAND_HELLO = 0x40,
    COMMAND_ACKNOWLEDGE = 0x41,
    COMMAND_TIME_PROBE = 0x42,
    COMMAND_GET_SETTINGS = 0x43,
    COMMAND_SET_INPUT = 0x44,
    COMMAND_SET_BOARD = 0x45,
    COMMAND_ARM = 0x46,
    COMMAND_SELFTEST = 0x47,
    COMMAND_TRACE = 0x48,
    COMMAND_BLINK = 0x49,
    COMMAND_REBOOT = 0x4A,
    COMMAND_NAME_BOARD = 0x4B,
};

enum reply_status { REPLY_DONE, REPLY_UNKNOWN, REPLY_BAD_VALUE, REPLY_BUSY };

#define COMMAND_BODY_MAX 15 /* the longest command, board settings: 11 bytes of payload */

#define TRACE_BATCH 8 /* edges in one trace message at most */

#define HELLO_FLAG_DEFAULTS 1u /* stored settings missing or damaged; defaults are in force */

struct trace_edge {
    uint16_t after_us; /* since the edge before; 0 for the first one */
    uint8_t level;     /* input, 1-based; bit 7 set when closed */
};

uint8_t *frame_time(uint8_t *at, struct board_time time);

/* Each writes one whole frame and returns its length on the wire. Hello and heartbeat are written
 * by device.c straight from its state: a copy in between cost a kilobyte of flash. */
uint8_t message_record(uint8_t *out, uint8_t sequence, const struct record *record);
uint8_t message_trace(uint8_t *out, uint8_t sequence, struct board_time first, uint16_t lost,
                      const struct trace_edge *edges, uint8_t count);
uint8_t message_time(uint8_t *out, uint8_t sequence, uint32_t token, struct board_time received,
                     struct board_time sent);
uint8_t message_input_settings(uint8_t *out, uint8_t sequence, uint8_t input, uint16_t make_us,
                               uint16_t break_us);
uint8_t message_board_settings(uint8_t *out, uint8_t sequence, uint32_t stuck_ms,
                               uint32_t silent_ms, uint16_t traffic, uint8_t chatter_edges);
uint8_t message_selftest(uint8_t *out, uint8_t sequence, uint8_t input, uint8_t verdict,
                         uint32_t partners);
uint8_t message_reply(uint8_t *out, uint8_t sequence, uint8_t command, uint8_t command_sequence,
                      uint8_t status);

/* Length on the wire at most, so that the caller can wait for room. */
#define MESSAGE_HELLO_MAX (35 + FRAME_OVERHEAD)
#define MESSAGE_HEARTBEAT_MAX (42 + FRAME_OVERHEAD)
#define MESSAGE_TRACE_MAX (9 + 3 * TRACE_BATCH + FRAME_OVERHEAD)
#define MESSAGE_SMALL_MAX (16 + FRAME_OVERHEAD) /* all the others */

#define COMMAND_UNKNOWN UINT8_MAX

/* Length of a command's payload, or COMMAND_UNKNOWN. */
uint8_t command_length(uint8_t type);

/* Whether the payload of a board's message has the length that belongs to its type. */
bool message_is_well_formed(const struct frame *frame);

/* Fields of a payload, low byte first. */
uint16_t message_u16(const uint8_t *at);
uint32_t message_u32(const uint8_t *at);

#endif
