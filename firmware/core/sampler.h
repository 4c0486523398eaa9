/* Single-producer, single-consumer queue between the sampling interrupt and the main loop.
 *
 * The producer hands over levels only when something changed. `head` is written by the producer
 * only, `tail` by the consumer only; both are single bytes, so no lock is needed on any board. */
#ifndef REEDPROOF_SAMPLER_H
#define REEDPROOF_SAMPLER_H

#include <stdbool.h>
#include <stdint.h>

#include "levels.h"

#define SAMPLER_SLOTS 16 /* a power of two; one slot stays empty to tell full from empty */

struct snapshot {
    uint16_t stamp; /* low 16 bits of the board's free-running timer, in timer ticks */
    levels_t levels;
};

struct sampler {
    volatile uint8_t head;
    volatile uint8_t tail;
    volatile uint16_t lost; /* changes that met a full queue; wraps */
    levels_t last;          /* levels of the last snapshot that was queued */
    struct snapshot slots[SAMPLER_SLOTS];
};

void sampler_init(struct sampler *sampler);

/* Producer. Queues a snapshot when `levels` differ from the last queued ones. When the queue is
 * full, the loss is counted and `last` is kept, so that the next sample tries again and the
 * consumer always ends up with the true levels. */
void sampler_sample(struct sampler *sampler, uint16_t stamp, levels_t levels);

/* Consumer. Returns false when nothing waits. */
bool sampler_take(struct sampler *sampler, struct snapshot *snapshot);

#endif
