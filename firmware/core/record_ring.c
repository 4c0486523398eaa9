#include "record_ring.h"

#define KIND_SHIFT 5
#define INPUT_MASK 0x1Fu
#define CELL_EPOCH 7u /* not a record: the upper half of the time from here on */

/*@ requires index < 2 * REEDPROOF_RING;
    assigns \nothing;
    ensures \result == index % REEDPROOF_RING; */
static uint8_t wrapped(uint16_t index) {
    return (uint8_t)(index < REEDPROOF_RING ? index : index - REEDPROOF_RING);
}

/*@ requires \valid(ring) && in_bounds(ring) && offset <= REEDPROOF_RING;
    assigns \result \from ring, ring->first, offset;
    ensures \result == &ring->cells[(ring->first + offset) % REEDPROOF_RING]; */
static struct record_cell *cell_at(struct record_ring *ring, uint8_t offset) {
    return &ring->cells[wrapped((uint16_t)((uint16_t)ring->first + offset))];
}

/*@ requires \valid_read(cell);
    assigns \nothing; */
static uint8_t kind_of(const struct record_cell *cell) {
    return (uint8_t)(cell->head >> KIND_SHIFT);
}

/*@ requires \valid_read(cell);
    assigns \nothing; */
static uint32_t numbers_in(const struct record_cell *cell) {
    uint8_t kind = kind_of(cell);
    return kind == CELL_EPOCH ? 0 : kind == RECORD_LOST ? cell->word : 1;
}

/*@ requires \valid(ring) && in_bounds(ring) && ring->count < REEDPROOF_RING;
    assigns ring->count, ring->cells[0 .. REEDPROOF_RING - 1];
    assigns \result \from ring, ring->first, ring->count;
    ensures ring->count == \old(ring->count) + 1;
    ensures \result == &ring->cells[(ring->first + \old(ring->count)) % REEDPROOF_RING]; */
static struct record_cell *append(struct record_ring *ring, uint8_t kind, uint32_t word) {
    struct record_cell *cell = cell_at(ring, ring->count);
    ring->count++;
    cell->head = (uint8_t)((unsigned)kind << KIND_SHIFT);
    cell->word = word;
    return cell;
}

/* The gap becomes a record as soon as there is room. */
/*@ requires \valid(ring) && in_bounds(ring) && ring->count < REEDPROOF_RING;
    assigns ring->count, ring->cells[0 .. REEDPROOF_RING - 1], ring->lost;
    ensures ring->count == \old(ring->count) + 1 && ring->lost == 0; */
static void append_lost(struct record_ring *ring) {
    append(ring, RECORD_LOST, ring->lost);
    ring->lost = 0;
}

void record_ring_init(struct record_ring *ring) {
    ring->first = 0;
    ring->count = 0;
    ring->sent = 0;
    ring->first_high = 0;
    ring->sent_high = 0;
    ring->last_high = 0;
    ring->first_number = 0;
    ring->sent_number = 0;
    ring->ever_sent = 0;
    ring->next_number = 0;
    ring->lost = 0;
}

bool record_ring_push(struct record_ring *ring, const struct record *record) {
    bool new_epoch = record->time.high != ring->last_high;
    uint8_t needed = (uint8_t)(1 + (ring->lost != 0) + new_epoch);
    ring->next_number++;
    if (needed > REEDPROOF_RING - ring->count) {
        ring->lost++;
        return false;
    }
    if (ring->lost != 0) {
        append_lost(ring);
    }
    if (new_epoch) {
        append(ring, CELL_EPOCH, record->time.high);
        ring->last_high = record->time.high;
    }
    struct record_cell *cell = append(ring, record->kind, record->time.low);
    cell->head = (uint8_t)(cell->head | (record->input & INPUT_MASK));
    /*@ loop invariant i <= RECORD_DETAILS;
        loop assigns i, cell->detail[0 .. RECORD_DETAILS - 1];
        loop variant RECORD_DETAILS - i; */
    for (uint8_t i = 0; i < RECORD_DETAILS; i++) {
        cell->detail[i] = record->detail[i];
    }
    return true;
}

bool record_ring_next(struct record_ring *ring, struct record *record) {
    /*@ loop invariant in_bounds(ring);
        loop invariant \at(in_order(ring), Pre) ==> in_order(ring);
        loop invariant ring->sent >= \at(ring->sent, Pre);
        loop assigns ring->sent, ring->sent_high;
        loop variant ring->count - ring->sent; */
    while (ring->sent < ring->count) {
        const struct record_cell *cell = cell_at(ring, ring->sent);
        ring->sent++;
        if (kind_of(cell) == CELL_EPOCH) {
            ring->sent_high = (uint16_t)cell->word;
            continue;
        }
        record->number = ring->sent_number;
        record->kind = kind_of(cell);
        record->input = cell->head & INPUT_MASK;
        /*@ loop invariant i <= RECORD_DETAILS;
            loop assigns i, record->detail[0 .. RECORD_DETAILS - 1];
            loop variant RECORD_DETAILS - i; */
        for (uint8_t i = 0; i < RECORD_DETAILS; i++) {
            record->detail[i] = cell->detail[i];
        }
        record->time.high = ring->sent_high;
        record->time.low = cell->word;
        record->lost = cell->word;
        ring->sent_number += numbers_in(cell);
        if ((int32_t)(ring->sent_number - ring->ever_sent) > 0) {
            ring->ever_sent = ring->sent_number;
        }
        return true;
    }
    return false;
}

/*@ requires \valid(ring) && in_bounds(ring) && ring->count != 0;
    assigns *ring;
    ensures in_bounds(ring);
    ensures \old(in_order(ring)) ==> in_order(ring);
    ensures ring->count == \old(ring->count) - 1;
    ensures ring->next_number == \old(ring->next_number); */
static void forget_first(struct record_ring *ring) {
    const struct record_cell *cell = cell_at(ring, 0);
    if (kind_of(cell) == CELL_EPOCH) {
        ring->first_high = (uint16_t)cell->word;
    }
    ring->first_number += numbers_in(cell);
    ring->first = wrapped((uint16_t)(ring->first + 1));
    ring->count--;
    if (ring->sent != 0) {
        ring->sent--;
    } else {
        record_ring_rewind(ring);
    }
}

bool record_ring_acknowledge(struct record_ring *ring, uint32_t next) {
    uint32_t wanted = next - ring->first_number;
    if (wanted == 0 || wanted > ring->ever_sent - ring->first_number) {
        return false;
    }
    /*@ loop invariant in_bounds(ring);
        loop invariant \at(in_order(ring), Pre) ==> in_order(ring);
        loop invariant ring->next_number == \at(ring->next_number, Pre);
        loop assigns *ring;
        loop variant ring->count; */
    while (ring->count != 0 && numbers_in(cell_at(ring, 0)) <= next - ring->first_number) {
        forget_first(ring);
    }
    if (ring->lost != 0 && ring->count < REEDPROOF_RING) {
        append_lost(ring);
    }
    return true;
}

void record_ring_rewind(struct record_ring *ring) {
    ring->sent = 0;
    ring->sent_high = ring->first_high;
    ring->sent_number = ring->first_number;
}
