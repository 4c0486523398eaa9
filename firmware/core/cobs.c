#include "cobs.h"

void cobs_encode(uint8_t *out, uint8_t length) {
    uint8_t code_at = 0;
    /*@ loop invariant 1 <= i <= length && code_at < i;
        loop assigns i, code_at, out[0 .. length - 1];
        loop variant length - i; */
    for (uint8_t i = 1; i < length; i++) {
        if (out[i] == 0) {
            out[code_at] = (uint8_t)(i - code_at);
            code_at = i;
        }
    }
    out[code_at] = (uint8_t)(length - code_at);
}

void cobs_restart(struct cobs_decoder *decoder) {
    decoder->left = 0;
    decoder->zero = false;
    decoder->started = false;
}

enum cobs_step cobs_take(struct cobs_decoder *decoder, uint8_t in, uint8_t *byte) {
    if (in == 0) {
        return COBS_BROKEN;
    }
    if (decoder->left != 0) {
        decoder->left--;
        *byte = in;
        return COBS_BYTE;
    }
    bool zero = decoder->zero;
    decoder->left = (uint8_t)(in - 1);
    decoder->zero = in != 0xFF;
    decoder->started = true;
    *byte = 0;
    return zero ? COBS_BYTE : COBS_NOTHING;
}

bool cobs_is_complete(const struct cobs_decoder *decoder) {
    return decoder->started && decoder->left == 0;
}
