/* The frame decoder against a second one, on any stream of bytes.
 *
 * Input: a byte for the size of the bodies the receiver takes, then pieces of the stream. Each
 * begins with a byte: two bits for what it is, six for its length. Sealed pieces get their CRC and
 * stuffing here, for a fuzzer does not guess a CRC. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "frame.h"
#include "reference.h"

#define STREAM_MAX 4096

enum piece {
    PIECE_RAW,     /* as it is on the line */
    PIECE_SEALED,  /* a body without CRC */
    PIECE_UNENDED, /* the same, without the zero byte at the end */
    PIECE_DAMAGED, /* the same with one bit flipped; two bytes say which */
};

static size_t add_piece(uint8_t *stream, struct feed *input) {
    uint8_t head = take_u8(input);
    uint8_t bytes[63];
    size_t length = take_bytes(input, bytes, head & 63);
    enum piece piece = head >> 6;
    if (piece == PIECE_RAW) {
        memcpy(stream, bytes, length);
        return length;
    }
    size_t size = write_frame(stream, bytes, length < PAYLOAD_MAX + 2 ? length : PAYLOAD_MAX + 2);
    if (piece == PIECE_DAMAGED) {
        uint8_t *byte = &stream[take_u8(input) % size];
        *byte = (uint8_t)(*byte ^ (1 << (take_u8(input) & 7)));
    }
    return piece == PIECE_UNENDED ? size - 1 : size;
}

static void check_same(const struct frame *frame, const struct plain_frame *plain) {
    HOLDS(frame->type == plain->type);
    HOLDS(frame->sequence == plain->sequence);
    HOLDS(frame->length == plain->length);
    HOLDS(memcmp(frame->payload, plain->payload, frame->length) == 0);
}

/* Written by the core, it is read as the same again, by both. */
static void check_writer(const struct plain_frame *plain) {
    uint8_t *out = malloc(plain->length + (size_t)FRAME_OVERHEAD); /* not a byte more */
    uint8_t *at = frame_begin(out, plain->type, plain->sequence);
    for (uint8_t i = 0; i < plain->length; i++) {
        at = frame_u8(at, plain->payload[i]);
    }
    uint8_t length = frame_end(out, at);
    HOLDS(length == plain->length + FRAME_OVERHEAD);
    HOLDS(length <= FRAME_MAX);
    HOLDS(memchr(out, 0, length) == out + length - 1);

    struct plain_frame read;
    HOLDS(read_frame(out, length - (size_t)1, FRAME_MAX - 2, &read));
    uint8_t body[FRAME_MAX - 2];
    struct frame_reader reader;
    struct frame frame;
    frame_reader_init(&reader, body, sizeof body);
    for (uint8_t i = 0; i < length; i++) {
        HOLDS(frame_take(&reader, out[i], &frame) == (i == length - 1));
    }
    HOLDS(reader.bad == 0);
    check_same(&frame, plain);
    check_same(&frame, &read);
    free(out);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct feed input = {data, size};
    uint8_t room =
        (uint8_t)(FRAME_BODY_MIN + take_u8(&input) % (FRAME_MAX - 2 - FRAME_BODY_MIN + 1));
    static uint8_t stream[STREAM_MAX];
    size_t length = 0;
    while (input.left != 0 && length + FRAME_MAX + 2 < STREAM_MAX) {
        length += add_piece(stream + length, &input);
    }

    uint8_t *body = malloc(room); /* not a byte more */
    struct frame_reader reader;
    frame_reader_init(&reader, body, room);
    size_t start = 0;
    uint16_t bad = 0;
    for (size_t i = 0; i < length; i++) {
        struct frame frame;
        bool taken = frame_take(&reader, stream[i], &frame);
        HOLDS(reader.length <= room);
        if (stream[i] != 0) {
            HOLDS(!taken);
            continue;
        }
        struct plain_frame plain;
        bool good = read_frame(stream + start, i - start, room, &plain);
        HOLDS(taken == good);
        if (good) {
            check_same(&frame, &plain);
            check_writer(&plain);
        } else if (i != start) {
            bad++;
        }
        HOLDS(reader.bad == bad);
        start = i + 1;
    }
    free(body);
    return 0;
}
