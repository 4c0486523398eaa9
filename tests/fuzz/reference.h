/* Frames once more, written from protocol.md section 2 with whole buffers and no thought of speed:
 * what the core has to agree with. */
#ifndef FUZZ_REFERENCE_H
#define FUZZ_REFERENCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PAYLOAD_MAX 58

struct plain_frame {
    uint8_t type;
    uint8_t sequence;
    uint8_t length;
    uint8_t payload[PAYLOAD_MAX];
};

/* Reads the bytes before a zero byte, none of which is zero; false when a receiver of bodies of at
 * most `room` bytes has to refuse them. */
bool read_frame(const uint8_t *bytes, size_t length, size_t room, struct plain_frame *frame);

/* The bytes on the line for a type, a sequence and a payload, at most PAYLOAD_MAX + 2 bytes in all;
 * returns their number, which is `length` + 4. */
size_t write_frame(uint8_t *out, const uint8_t *body, size_t length);

/* What the fuzzer gave, to be taken from the front; zeros when it is used up. */
struct feed {
    const uint8_t *at;
    size_t left;
};

uint8_t take_u8(struct feed *input);
uint32_t take_u32(struct feed *input);

/* Up to `length` bytes; returns how many there were. */
size_t take_bytes(struct feed *input, uint8_t *out, size_t length);

/* Stops the fuzzer when a property does not hold. */
#define HOLDS(condition)                                                                           \
    do {                                                                                           \
        if (!(condition)) {                                                                        \
            fprintf(stderr, "%s:%d: does not hold: %s\n", __FILE__, __LINE__, #condition);         \
            abort();                                                                               \
        }                                                                                          \
    } while (0)

#endif
