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
/*@ requires \valid(out + (0 .. 2));
    assigns out[1 .. 2] \from type, sequence;
    assigns \result \from out;
    ensures \result == out + 3; */
uint8_t *frame_begin(uint8_t *out, uint8_t type, uint8_t sequence);

/*@ requires \valid(at);
    assigns *at \from value;
    assigns \result \from at;
    ensures \result == at + 1; */
uint8_t *frame_u8(uint8_t *at, uint8_t value);

/*@ requires \valid(at + (0 .. 1));
    assigns at[0 .. 1] \from value;
    assigns \result \from at;
    ensures \result == at + 2; */
uint8_t *frame_u16(uint8_t *at, uint16_t value);

/*@ requires \valid(at + (0 .. 3));
    assigns at[0 .. 3] \from value;
    assigns \result \from at;
    ensures \result == at + 4; */
uint8_t *frame_u32(uint8_t *at, uint32_t value);

/*@ requires \base_addr(at) == \base_addr(out) && 3 <= at - out <= FRAME_MAX - 3;
    requires \valid(out + (0 .. at - out + 2));
    assigns out[0 .. at - out + 2] \from out[1 .. at - out - 1];
    assigns \result \from out, at;
    ensures \result == at - out + 3; */
/* length on the wire */
uint8_t frame_end(uint8_t *out, uint8_t *at);

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

/* Proved by `make proofs`: nothing is written beyond `room` or read beyond `length`. */
/*@ predicate reader_is_sound(struct frame_reader *reader) =
      reader->length <= reader->room &&
      \valid(reader->body + (0 .. reader->room - 1)) &&
      \separated(reader, reader->body + (0 .. reader->room - 1)); */

/*@ requires \valid(reader) && \valid(body + (0 .. room - 1));
    requires \separated(reader, body + (0 .. room - 1));
    assigns *reader \from body, room;
    ensures reader_is_sound(reader) && reader->body == body && reader->room == room; */
void frame_reader_init(struct frame_reader *reader, uint8_t *body, uint8_t room);

/* Takes one byte; true when it completes a good frame, which stays valid until the next call. */
/*@ requires \valid(reader) && reader_is_sound(reader) && \valid(frame);
    requires \separated(frame, reader, reader->body + (0 .. reader->room - 1));
    assigns *reader, reader->body[0 .. reader->room - 1], *frame;
    ensures reader_is_sound(reader);
    ensures reader->body == \old(reader->body) && reader->room == \old(reader->room);
    ensures \result ==> frame->payload == reader->body + 2;
    ensures \result ==> 2 + frame->length + 2 <= reader->room; */
bool frame_take(struct frame_reader *reader, uint8_t byte, struct frame *frame);

#endif
