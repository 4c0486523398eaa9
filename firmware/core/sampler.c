#include "sampler.h"

#define MASK (SAMPLER_SLOTS - 1)

void sampler_init(struct sampler *sampler) {
    sampler->head = 0;
    sampler->tail = 0;
    sampler->lost = 0;
    sampler->last = 0; /* every contact counts as open until a sample says otherwise */
}

void sampler_sample(struct sampler *sampler, uint16_t stamp, levels_t levels) {
    if (levels == sampler->last) {
        return;
    }
    uint8_t next = (uint8_t)((sampler->head + 1) & MASK);
    if (next == sampler->tail) {
        sampler->lost = (uint16_t)(sampler->lost + 1);
        return;
    }
    sampler->slots[sampler->head].stamp = stamp;
    sampler->slots[sampler->head].levels = levels;
    sampler->last = levels;
    sampler->head = next;
}

bool sampler_take(struct sampler *sampler, struct snapshot *snapshot) {
    uint8_t tail = sampler->tail;
    if (tail == sampler->head) {
        return false;
    }
    *snapshot = sampler->slots[tail];
    sampler->tail = (uint8_t)((tail + 1) & MASK);
    return true;
}
