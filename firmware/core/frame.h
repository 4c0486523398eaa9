/* Checked frames: COBS of {type, sequence, payload, CRC-16/GENIBUS, low byte first}, then 0x00. */
#ifndef REEDPROOF_FRAME_H
#define REEDPROOF_FRAME_H

#include <stdbool.h>
#include <stdint.h>

#include "cobs.h"

#define FRAME_MAX 64     /* on the wire, delimiter included */
#define FRAME_OVERHEAD 6 /* stuffing, type, sequence, two of CRC, delimiter */
#define FRAME_BODY_MIN 4 /* type, sequence, CRC */
#define FRAME_PAYLOAD_MAX (FRAME_MAX - FRAME_OVERHEAD)

/* A frame is written straight into the caller's memory, which has room for the payload and
 * FRAME_OVERHEAD. Each call returns where the next field goes: handing that on in registers takes
 * half the code of a writer in memory. */
uint8_t *frame_begin(uint8_t *out, uint8_t type, uint8_t sequence);
uint8_t *frame_u8(uint8_t *at, uint8_t value);
uint8_t *frame_u16(uint8_t *at, uint16_t value);
uint8_t *frame_u32(uint8_t *at, uint32_t value);
uint8_t frame_end(uint8_t *out, uint8_t *at); /* length on the wire */

struct frame {
    uint8_t type;
    uint8_t sequence;
    uint8_t length; /* of the payload */
    const uint8_t *payload;
};

struct frame_reader {
    struct cobs_decoder cobs;
    uint8_t *body; /* caller's memory: type, sequence, payload, CRC */
    uint8_t room;
    uint8_t length;
    bool broken;
    uint16_t bad; /* frames refused; wraps. Lone delimiters are not frames. */
};

void frame_reader_init(struct frame_reader *reader, uint8_t *body, uint8_t room);

/* Takes one byte; true when it completes a good frame, which stays valid until the next call. */
bool frame_take(struct frame_reader *reader, uint8_t byte, struct frame *frame);

#endif
