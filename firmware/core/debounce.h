/* From raw edges of one input to closures. Time is an argument, elapsed time is unsigned
 * subtraction, so the clock may start anywhere and wrap. The rules are numbered in DEVELOPERS.md.
 */
#ifndef REEDPROOF_DEBOUNCE_H
#define REEDPROOF_DEBOUNCE_H

#include <stdbool.h>
#include <stdint.h>

struct debounce_settings {
    uint16_t make_us;  /* a closing counts after this long closed without a break; at least 1 */
    uint16_t break_us; /* an opening counts after this long open; at least 1 */
};

enum debounce_phase {
    DEBOUNCE_OPEN,     /* settled open */
    DEBOUNCE_MAKING,   /* a train of edges that may become a closure */
    DEBOUNCE_CLOSED,   /* settled closed */
    DEBOUNCE_BREAKING, /* a train of edges that may end the closure */
};

struct debounce {
    uint32_t edge_us;     /* last raw edge */
    uint32_t made_us;     /* first edge of the closing train, later of the closure */
    uint32_t open_us;     /* first open edge after the last stable closed stretch */
    uint16_t pairs;       /* edge pairs in the train at hand; saturates */
    uint8_t gap;          /* longest opening in the train at hand, as a width code */
    union {               /* never needed at the same time */
        uint8_t width;    /* while making: longest closing in the train, as a width code */
        uint8_t dropouts; /* later: of the closure at hand; saturates */
    };
    uint8_t phase : 2;
    bool closed : 1; /* raw level */
};

enum debounce_kind {
    DEBOUNCE_NOTHING,
    DEBOUNCE_MADE,    /* a closing counts now */
    DEBOUNCE_BROKE,   /* an opening counts now */
    DEBOUNCE_BLIP,    /* a train of closings too short to count is over */
    DEBOUNCE_DROPOUT, /* openings too short to count are over */
};

struct debounce_event {
    uint8_t kind;
    uint16_t pairs;       /* made, broke: bounces; blip, dropout: how many */
    uint8_t longest;      /* made: longest gap; blip, dropout: longest width; a width code */
    uint8_t dropouts;     /* broke */
    uint32_t time_us;     /* made, broke: the edge that counts */
    uint32_t settle_us;   /* made: first to last edge of the train */
    uint32_t duration_us; /* broke: modulo 2^32, see device.c for what is sent */
};

void debounce_init(struct debounce *debounce);

/* Nothing can happen before the next raw edge. */
static inline bool debounce_is_settled(const struct debounce *debounce) {
    return debounce->phase == DEBOUNCE_OPEN || debounce->phase == DEBOUNCE_CLOSED;
}

/* How long the level of an unsettled input must stand for something to count. */
static inline uint16_t debounce_limit_us(const struct debounce *debounce,
                                         const struct debounce_settings *settings) {
    return debounce->closed ? settings->make_us : settings->break_us;
}

/* Of an unsettled input: microseconds until something falls due if no edge comes; 0 = it is due. */
static inline uint16_t debounce_left(const struct debounce *debounce,
                                     const struct debounce_settings *settings, uint32_t now_us) {
    uint16_t limit_us = debounce_limit_us(debounce, settings);
    uint32_t elapsed_us = now_us - debounce->edge_us;
    return elapsed_us >= limit_us ? 0 : (uint16_t)(limit_us - (uint16_t)elapsed_us);
}

/* Lets time pass up to `now_us`. At most one event can fall due between two edges. */
void debounce_settle(struct debounce *debounce, const struct debounce_settings *settings,
                     uint32_t now_us, struct debounce_event *event);

/* A raw edge at `time_us`; the event is the one that fell due before it. The caller has checked
 * that the level did change. */
void debounce_edge(struct debounce *debounce, const struct debounce_settings *settings,
                   uint32_t time_us, struct debounce_event *event);

#endif
