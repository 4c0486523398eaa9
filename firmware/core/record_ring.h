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

/* Proved by `make proofs`, as are the loops and helpers in record_ring.c. */
/*@ predicate in_bounds(struct record_ring *ring) =
      ring->first < REEDPROOF_RING && ring->count <= REEDPROOF_RING &&
      ring->sent <= REEDPROOF_RING;
    predicate in_order(struct record_ring *ring) = ring->sent <= ring->count; */

/*@ requires \valid(ring);
    assigns *ring \from \nothing;
    ensures in_bounds(ring) && in_order(ring); */
void record_ring_init(struct record_ring *ring);

/* Numbers the record and keeps it; false when the ring is full and the record was counted as lost.
 */
/*@ requires \valid(ring) && \valid_read(record) && \separated(ring, record);
    requires \initialized(&record->kind) && \initialized(&record->input);
    requires \initialized(&record->detail[0 .. RECORD_DETAILS - 1]);
    requires \initialized(&record->time.low) && \initialized(&record->time.high);
    requires in_bounds(ring);
    assigns *ring, \result \from *ring, *record;
    ensures in_bounds(ring);
    ensures \old(in_order(ring)) ==> in_order(ring);
    ensures ring->next_number == (uint32_t)(\old(ring->next_number) + 1);
    ensures \result == 0 || \result == 1;
    ensures \result ==> ring->lost == 0 && ring->count > \old(ring->count);
    ensures !\result ==> ring->lost == (uint32_t)(\old(ring->lost) + 1);
    ensures !\result ==> ring->count == \old(ring->count); */
bool record_ring_push(struct record_ring *ring, const struct record *record);

/* Hands out the next record that was not handed out since the last rewind; false when none. */
/*@ requires \valid(ring) && \valid(record) && \separated(ring, record);
    requires in_bounds(ring);
    assigns *ring, *record, \result \from *ring;
    ensures in_bounds(ring);
    ensures \old(in_order(ring)) ==> in_order(ring);
    ensures \result == 0 || \result == 1;
    ensures ring->count == \old(ring->count);
    ensures \result ==> ring->sent > \old(ring->sent);
    ensures \old(in_order(ring)) && !\result ==> ring->sent == ring->count; */
bool record_ring_next(struct record_ring *ring, struct record *record);

/* Forgets the records below `next`; a number beyond what was handed out is ignored. Returns true
 * when it was not. */
/*@ requires \valid(ring) && in_bounds(ring);
    assigns *ring, \result \from *ring, next;
    ensures in_bounds(ring);
    ensures \old(in_order(ring)) ==> in_order(ring);
    ensures ring->next_number == \old(ring->next_number);
    ensures \result == 0 || \result == 1;
    ensures !\result ==> ring->count == \old(ring->count) && ring->sent == \old(ring->sent); */
bool record_ring_acknowledge(struct record_ring *ring, uint32_t next);

/* Starts handing out from the oldest record again. */
/*@ requires \valid(ring) && in_bounds(ring);
    assigns ring->sent, ring->sent_high, ring->sent_number \from *ring;
    ensures ring->sent == 0; */
void record_ring_rewind(struct record_ring *ring);

/*@ requires \valid_read(ring);
    assigns \result \from ring->sent, ring->count;
    ensures \result <==> ring->sent != ring->count; */
static inline bool record_ring_has_unsent(const struct record_ring *ring) {
    return ring->sent != ring->count;
}

/*@ requires \valid_read(ring);
    assigns \result \from ring->sent, ring->count;
    ensures \result <==> ring->sent != 0; */
static inline bool record_ring_has_unacknowledged(const struct record_ring *ring) {
    return ring->sent != 0;
}

#endif
