/* Consistent Overhead Byte Stuffing (Cheshire & Baker 1999), byte by byte, into caller's memory. */
#ifndef REEDPROOF_COBS_H
#define REEDPROOF_COBS_H

#include <stdbool.h>
#include <stdint.h>

/* Encoder for at most 254 bytes; the result holds one byte more and no zero. */
struct cobs_encoder {
    uint8_t *out;
    uint8_t length;
    uint8_t code_at; /* where the length of the open block goes */
};

void cobs_begin(struct cobs_encoder *encoder, uint8_t *out);
void cobs_put(struct cobs_encoder *encoder, uint8_t byte);
uint8_t cobs_end(struct cobs_encoder *encoder); /* returns the encoded length */

enum cobs_step { COBS_NOTHING, COBS_BYTE, COBS_BROKEN };

struct cobs_decoder {
    uint8_t left; /* bytes of the open block still to come */
    bool zero;    /* the open block ends in a zero, if another one follows */
    bool started;
};

void cobs_restart(struct cobs_decoder *decoder);

/* Takes one non-zero byte; COBS_BYTE when `*byte` was decoded. */
enum cobs_step cobs_take(struct cobs_decoder *decoder, uint8_t in, uint8_t *byte);

/* At the delimiter: true when no byte is outstanding. A decoder that forgets to ask accepts
 * frames that were cut. */
bool cobs_is_complete(const struct cobs_decoder *decoder);

#endif
