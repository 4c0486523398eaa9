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

/* Writes straight into the caller's memory, which has room for the payload and FRAME_OVERHEAD. */
struct frame_writer {
    uint8_t *out;
    uint8_t length; /* so far, with the first byte, which is left for the stuffing */
};

void frame_begin(struct frame_writer *writer, uint8_t *out, uint8_t type, uint8_t sequence);
void frame_u8(struct frame_writer *writer, uint8_t value);
void frame_u16(struct frame_writer *writer, uint16_t value);
void frame_u32(struct frame_writer *writer, uint32_t value);
uint8_t frame_end(struct frame_writer *writer); /* length on the wire */

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
