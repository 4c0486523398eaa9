#include "fault.h"

static uint8_t set(struct fault *fault, uint8_t which, bool active) {
    uint8_t before = fault->active;
    uint8_t after = (uint8_t)(active ? before | which : before & ~which);
    fault->active = after & 0x0Fu;
    return before ^ after;
}

void fault_init(struct fault *fault) {
    fault->edges = 0;
    fault->active = 0;
    fault->muted = false;
    fault->triggered = false;
}

uint8_t fault_edge(struct fault *fault, const struct fault_settings *settings) {
    if (fault->edges < STORM_EDGES) {
        fault->edges++;
    }
    return fault->edges > settings->chatter_edges ? set(fault, FAULT_CHATTER, true) : 0;
}

uint8_t fault_window(struct fault *fault, const struct fault_settings *settings) {
    bool chatter = fault->edges > settings->chatter_edges;
    fault->edges = 0;
    fault->muted = chatter;
    return set(fault, FAULT_CHATTER, chatter);
}

uint8_t fault_made(struct fault *fault, bool at_power_up) {
    fault->triggered = true;
    uint8_t changed = set(fault, FAULT_NEVER_TRIGGERED, false);
    return at_power_up ? changed | set(fault, FAULT_STUCK_CLOSED, true) : changed;
}

uint8_t fault_broke(struct fault *fault) {
    return set(fault, FAULT_STUCK_CLOSED, false);
}

uint8_t fault_closed(struct fault *fault, const struct fault_settings *settings,
                     uint32_t closed_ms) {
    bool stuck = settings->stuck_ms != 0 && closed_ms > settings->stuck_ms;
    return stuck ? set(fault, FAULT_STUCK_CLOSED, true) : 0;
}

uint8_t fault_arm(struct fault *fault) {
    fault->triggered = false;
    return set(fault, FAULT_NEVER_TRIGGERED, false);
}

uint8_t fault_silence(struct fault *fault, const struct fault_settings *settings, uint32_t armed_ms,
                      uint16_t closures) {
    bool silent =
        !fault->triggered && ((settings->traffic != 0 && closures >= settings->traffic) ||
                              (settings->silent_ms != 0 && armed_ms >= settings->silent_ms));
    return silent ? set(fault, FAULT_NEVER_TRIGGERED, true) : 0;
}

uint8_t fault_shorted(struct fault *fault, bool shorted) {
    return set(fault, FAULT_SHORTED, shorted);
}
