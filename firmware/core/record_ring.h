/* Numbered records, kept until acknowledged. Numbers are given before the ring is asked, so a
 * record that meets a full ring leaves a gap, and the gap itself becomes a record. */
#ifndef REEDPROOF_RECORD_RING_H
#define REEDPROOF_RECORD_RING_H

#include <stdbool.h>
#include <stdint.h>

#include "record.h"

#ifndef REEDPROOF_RING
#define REEDPROOF_RING 64 /* cells, at most 255 */
#endif

/* A packed record: 8 bytes on a board without alignment. The upper half of the time is stored
 * only where it changes (about once in 71 minutes), as a cell of its own. */
struct record_cell {
    uint8_t head; /* kind in the upper three bits, input in the lower five */
    uint8_t detail[RECORD_DETAILS];
    uint32_t word; /* time, count of lost records, or upper half of the time */
};

struct record_ring {
    struct record_cell cells[REEDPROOF_RING];
    uint8_t first; /* index of the oldest cell */
    uint8_t count;
    uint8_t sent;          /* cells from `first` on that were handed out */
    uint16_t first_high;   /* upper half of the time in force before the oldest cell */
    uint16_t sent_high;    /* ... before the next cell to hand out */
    uint16_t last_high;    /* ... after the newest cell */
    uint32_t first_number; /* number of the oldest record */
    uint32_t sent_number;  /* number of the next record to hand out */
    uint32_t ever_sent;    /* like sent_number, but a rewind leaves it */
    uint32_t next_number;
    uint32_t lost; /* the numbers just below next_number that met a full ring */
};

void record_ring_init(struct record_ring *ring);

/* Numbers the record and keeps it; false when the ring is full and the record was counted as lost.
 */
bool record_ring_push(struct record_ring *ring, const struct record *record);

/* Hands out the next record that was not handed out since the last rewind; false when none. */
bool record_ring_next(struct record_ring *ring, struct record *record);

/* Forgets the records below `next`; a number beyond what was handed out is ignored. Returns true
 * when it was not. */
bool record_ring_acknowledge(struct record_ring *ring, uint32_t next);

/* Starts handing out from the oldest record again. */
void record_ring_rewind(struct record_ring *ring);

static inline bool record_ring_has_unsent(const struct record_ring *ring) {
    return ring->sent != ring->count;
}

static inline bool record_ring_has_unacknowledged(const struct record_ring *ring) {
    return ring->sent != 0;
}

#endif
