#include "reference.h"

#include <string.h>

/* CRC-16/GENIBUS, bit by bit. */
static uint16_t crc_of(const uint8_t *bytes, size_t length) {
    uint32_t crc = 0xFFFF;
    for (size_t i = 0; i < length; i++) {
        for (int bit = 7; bit >= 0; bit--) {
            bool out = ((crc >> 15) ^ ((uint32_t)bytes[i] >> bit)) & 1;
            crc = ((crc << 1) & 0xFFFF) ^ (out ? 0x1021u : 0);
        }
    }
    return (uint16_t)(crc ^ 0xFFFF);
}

bool read_frame(const uint8_t *bytes, size_t length, size_t room, struct plain_frame *frame) {
    uint8_t body[PAYLOAD_MAX + 4];
    size_t size = 0;
    size_t at = 0;
    if (length == 0) {
        return false;
    }
    while (at < length) {
        size_t code = bytes[at];
        size_t block = code - 1;
        if (block > length - at - 1 || size + block > room) {
            return false;
        }
        memcpy(body + size, bytes + at + 1, block);
        size += block;
        at += code;
        if (code != 0xFF && at < length) {
            if (size == room) {
                return false;
            }
            body[size++] = 0;
        }
    }
    if (size < 4) {
        return false;
    }
    uint16_t crc = crc_of(body, size - 2);
    if (body[size - 2] != (crc & 0xFF) || body[size - 1] != crc >> 8) {
        return false;
    }
    frame->type = body[0];
    frame->sequence = body[1];
    frame->length = (uint8_t)(size - 4);
    memcpy(frame->payload, body + 2, size - 4);
    return true;
}

size_t write_frame(uint8_t *out, const uint8_t *body, size_t length) {
    uint8_t whole[PAYLOAD_MAX + 5];
    uint16_t crc = crc_of(body, length);
    memcpy(whole, body, length);
    whole[length] = (uint8_t)crc;
    whole[length + 1] = (uint8_t)(crc >> 8);
    whole[length + 2] = 0; /* the zero thought to follow ends the last block */
    size_t size = 0;
    for (size_t start = 0; start < length + 3;) {
        size_t block =
            (size_t)((uint8_t *)memchr(whole + start, 0, length + 3 - start) - whole) - start;
        out[size++] = (uint8_t)(block + 1);
        memcpy(out + size, whole + start, block);
        size += block;
        start += block + 1;
    }
    out[size++] = 0;
    return size;
}

uint8_t take_u8(struct feed *input) {
    if (input->left == 0) {
        return 0;
    }
    input->left--;
    return *input->at++;
}

uint32_t take_u32(struct feed *input) {
    uint32_t value = 0;
    for (int i = 0; i < 4; i++) {
        value |= (uint32_t)take_u8(input) << (8 * i);
    }
    return value;
}

size_t take_bytes(struct feed *input, uint8_t *out, size_t length) {
    size_t count = length < input->left ? length : input->left;
    memcpy(out, input->at, count);
    input->at += count;
    input->left -= count;
    return count;
}
