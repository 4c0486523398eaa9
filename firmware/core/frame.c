#include "frame.h"

#include "crc16.h"

void frame_begin(struct frame_writer *writer, uint8_t *out, uint8_t type, uint8_t sequence) {
    writer->out = out;
    writer->length = 1;
    frame_u8(writer, type);
    frame_u8(writer, sequence);
}

void frame_u8(struct frame_writer *writer, uint8_t value) {
    writer->out[writer->length++] = value;
}

void frame_u16(struct frame_writer *writer, uint16_t value) {
    frame_u8(writer, (uint8_t)value);
    frame_u8(writer, (uint8_t)(value >> 8));
}

void frame_u32(struct frame_writer *writer, uint32_t value) {
    frame_u16(writer, (uint16_t)value);
    frame_u16(writer, (uint16_t)(value >> 16));
}

static uint16_t crc_of(const uint8_t *bytes, uint8_t length) {
    uint16_t crc = CRC16_START;
    while (length-- != 0) {
        crc = crc16_update(crc, *bytes++);
    }
    return crc16_end(crc);
}

uint8_t frame_end(struct frame_writer *writer) {
    frame_u16(writer, crc_of(writer->out + 1, (uint8_t)(writer->length - 1)));
    cobs_encode(writer->out, writer->length);
    frame_u8(writer, 0);
    return writer->length;
}

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
