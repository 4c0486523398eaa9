#include "frame.h"

#include "crc16.h"

/* The first byte is left for the stuffing. */
uint8_t *frame_begin(uint8_t *out, uint8_t type, uint8_t sequence) {
    uint8_t *at = frame_u8(out + 1, type);
    return frame_u8(at, sequence);
}

uint8_t *frame_u8(uint8_t *at, uint8_t value) {
    *at = value;
    return at + 1;
}

uint8_t *frame_u16(uint8_t *at, uint16_t value) {
    at = frame_u8(at, (uint8_t)value);
    return frame_u8(at, (uint8_t)(value >> 8));
}

uint8_t *frame_u32(uint8_t *at, uint32_t value) {
    at = frame_u16(at, (uint16_t)value);
    return frame_u16(at, (uint16_t)(value >> 16));
}

/*@ requires \valid_read(bytes + (0 .. length - 1));
    assigns \nothing; */
static uint16_t crc_of(const uint8_t *bytes, uint8_t length) {
    uint16_t crc = CRC16_START;
    /*@ loop unroll FRAME_MAX;
        loop invariant length <= \at(length, Pre);
        loop invariant bytes == \at(bytes, Pre) + (\at(length, Pre) - length);
        loop assigns crc, length, bytes;
        loop variant length; */
    while (length-- != 0) {
        crc = crc16_update(crc, *bytes++);
    }
    return crc16_end(crc);
}

uint8_t frame_end(uint8_t *out, uint8_t *at) {
    at = frame_u16(at, crc_of(out + 1, (uint8_t)(at - out - 1)));
    cobs_encode(out, (uint8_t)(at - out));
    at = frame_u8(at, 0);
    return (uint8_t)(at - out);
}

/*@ requires \valid(reader);
    assigns reader->cobs, reader->length, reader->broken \from \nothing;
    ensures reader->length == 0; */
static void restart(struct frame_reader *reader) {
    cobs_restart(&reader->cobs);
    reader->length = 0;
    reader->broken = false;
}

void frame_reader_init(struct frame_reader *reader, uint8_t *body, uint8_t room) {
    reader->body = body;
    reader->room = room;
    reader->bad = 0;
    restart(reader);
}

/*@ requires \valid_read(reader) && reader_is_sound(reader);
    assigns \result \from *reader, reader->body[0 .. reader->length - 1];
    ensures \result ==> reader->length >= FRAME_BODY_MIN; */
static bool is_good(const struct frame_reader *reader) {
    if (reader->broken || !cobs_is_complete(&reader->cobs) || reader->length < FRAME_BODY_MIN) {
        return false;
    }
    uint8_t covered = (uint8_t)(reader->length - 2);
    uint16_t crc = crc_of(reader->body, covered);
    return reader->body[covered] == (uint8_t)crc &&
           reader->body[covered + 1] == (uint8_t)(crc >> 8);
}

bool frame_take(struct frame_reader *reader, uint8_t byte, struct frame *frame) {
    if (byte != 0) {
        uint8_t decoded;
        enum cobs_step step = cobs_take(&reader->cobs, byte, &decoded);
        if (step == COBS_BYTE) {
            if (reader->length < reader->room) {
                reader->body[reader->length++] = decoded;
            } else {
                reader->broken = true;
            }
        }
        return false;
    }
    bool empty = !reader->cobs.started;
    bool good = is_good(reader);
    if (good) {
        frame->type = reader->body[0];
        frame->sequence = reader->body[1];
        frame->length = (uint8_t)(reader->length - FRAME_BODY_MIN);
        frame->payload = reader->body + 2;
    } else if (!empty) {
        reader->bad = (uint16_t)(reader->bad + 1);
    }
    restart(reader);
    return good;
}
