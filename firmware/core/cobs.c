#include "cobs.h"

void cobs_begin(struct cobs_encoder *encoder, uint8_t *out) {
    encoder->out = out;
    encoder->code_at = 0;
    encoder->length = 1;
}

static void close_block(struct cobs_encoder *encoder) {
    encoder->out[encoder->code_at] = (uint8_t)(encoder->length - encoder->code_at);
}

void cobs_put(struct cobs_encoder *encoder, uint8_t byte) {
    if (byte == 0) {
        close_block(encoder);
        encoder->code_at = encoder->length;
    } else {
        encoder->out[encoder->length] = byte;
    }
    encoder->length++;
}

uint8_t cobs_end(struct cobs_encoder *encoder) {
    close_block(encoder);
    return encoder->length;
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
