/* What the board tells the host and keeps until it is acknowledged. */
#ifndef REEDPROOF_RECORD_H
#define REEDPROOF_RECORD_H

#include <stdint.h>

struct board_time { /* 48 bits of microseconds since boot */
    uint16_t high;
    uint32_t low;
};

enum record_kind { RECORD_MADE, RECORD_BROKE, RECORD_FAULT, RECORD_LOST };

/* What the detail bytes of each kind mean; counts stay at 255 once there. */
enum made_detail { MADE_BOUNCES, MADE_GAP, MADE_SETTLE };            /* width codes of us */
enum broke_detail { BROKE_BOUNCES, BROKE_DROPOUTS, BROKE_DURATION }; /* width code of ms */
enum fault_detail { FAULT_WHICH, FAULT_IS_ACTIVE };

#define RECORD_DETAILS 3

struct record {
    uint32_t number; /* given by the ring */
    uint8_t kind;
    uint8_t input; /* 0-based */
    uint8_t detail[RECORD_DETAILS];
    struct board_time time;
    uint32_t lost; /* RECORD_LOST: this many, from `number` on, met a full ring */
};

#endif
