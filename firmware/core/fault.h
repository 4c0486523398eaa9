/* Lasting conditions of one input. Each call returns the faults that changed, as bits; `active`
 * holds the new state. */
#ifndef REEDPROOF_FAULT_H
#define REEDPROOF_FAULT_H

#include <stdbool.h>
#include <stdint.h>

enum fault_bit {
    FAULT_STUCK_CLOSED = 1 << 0,
    FAULT_NEVER_TRIGGERED = 1 << 1,
    FAULT_CHATTER = 1 << 2,
    FAULT_SHORTED = 1 << 3,
};

#define CHATTER_EDGES_MAX 254
/* More than any chatter_edges: all there is to know of this second. */
#define STORM_EDGES UINT8_MAX
#define FAULT_WINDOW_US UINT32_C(1000000) /* chatter is judged second by second */

struct fault_settings {
    uint32_t stuck_ms;     /* closed longer than this; 0 = never */
    uint32_t silent_ms;    /* no closure this long after arming; 0 = never */
    uint16_t traffic;      /* or while this many closures came elsewhere; 0 = never */
    uint8_t chatter_edges; /* more raw edges than this in one second; 1 to CHATTER_EDGES_MAX */
};

struct fault {
    uint8_t edges;      /* in this second; saturates */
    uint8_t active : 4; /* enum fault_bit */
    bool muted : 1;     /* closures are counted, not recorded */
    bool triggered : 1; /* closed at least once since arming */
};

void fault_init(struct fault *fault);
uint8_t fault_edge(struct fault *fault, const struct fault_settings *settings);

static inline bool fault_is_storm(const struct fault *fault) {
    return fault->edges == STORM_EDGES;
}

/* The end of a second. A chattering input is muted from the second after the one that showed it,
 * so that the closure that was being made still counts, and heard again after a calm second. */
uint8_t fault_window(struct fault *fault, const struct fault_settings *settings);

/* A closing counts; `at_power_up` when it dates from the first sample of this boot. */
uint8_t fault_made(struct fault *fault, bool at_power_up);
uint8_t fault_broke(struct fault *fault);

/* The closure has lasted `closed_ms`. */
uint8_t fault_closed(struct fault *fault, const struct fault_settings *settings,
                     uint32_t closed_ms);

/* Arming forgets what was triggered. */
uint8_t fault_arm(struct fault *fault);

/* Time and closures elsewhere since arming. */
uint8_t fault_silence(struct fault *fault, const struct fault_settings *settings, uint32_t armed_ms,
                      uint16_t closures);
uint8_t fault_shorted(struct fault *fault, bool shorted);

#endif
