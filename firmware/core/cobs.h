/* Consistent Overhead Byte Stuffing (Cheshire & Baker 1999), in the caller's memory. */
#ifndef REEDPROOF_COBS_H
#define REEDPROOF_COBS_H

#include <stdbool.h>
#include <stdint.h>

/* Encodes `length` - 1 bytes in place, at most 254: they stand from out[1] on, out[0] is kept free
 * for the first block. No zero is left. */
/*@ requires length >= 1 && \valid(out + (0 .. length - 1));
    assigns out[0 .. length - 1]; */
void cobs_encode(uint8_t *out, uint8_t length);

enum cobs_step { COBS_NOTHING, COBS_BYTE, COBS_BROKEN };

struct cobs_decoder {
    uint8_t left; /* bytes of the open block still to come */
    bool zero;    /* the open block ends in a zero, if another one follows */
    bool started;
};

/*@ requires \valid(decoder);
    assigns *decoder \from \nothing; */
void cobs_restart(struct cobs_decoder *decoder);

/* Takes one non-zero byte; COBS_BYTE when `*byte` was decoded. */
/*@ requires \valid(decoder) && \valid(byte) && \separated(decoder, byte);
    assigns *decoder, *byte;
    ensures \result == COBS_BROKEN <==> in == 0; */
enum cobs_step cobs_take(struct cobs_decoder *decoder, uint8_t in, uint8_t *byte);

/* At the delimiter: true when no byte is outstanding. A decoder that forgets to ask accepts
 * frames that were cut. */
/*@ requires \valid_read(decoder);
    assigns \nothing; */
bool cobs_is_complete(const struct cobs_decoder *decoder);

#endif
