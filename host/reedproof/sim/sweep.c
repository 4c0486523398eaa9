#include "sweep.h"

#include "pause.h"

struct tally {
    struct sweep_count *count;
    uint32_t begun;  /* pass in which the train at hand began */
    uint32_t closed; /* pass of the last closure */
};

static void handle(struct tally *tally, const struct debounce_event *event) {
    if (event->kind != DEBOUNCE_MADE) {
        return;
    }
    if (tally->begun == SWEEP_NO_PASS) {
        tally->count->extras++;
        return;
    }
    tally->count->closures++;
    tally->count->splits += tally->begun == tally->closed;
    tally->closed = tally->begun;
}

void sweep_input(const int64_t *times_us, const uint32_t *passes, size_t edges,
                 const struct debounce_settings *settings, struct sweep_count *count) {
    struct sweep_count none = {0};
    *count = none;
    struct tally tally = {.count = count, .begun = SWEEP_NO_PASS, .closed = SWEEP_NO_PASS};
    struct debounce debounce;
    struct debounce_event event;
    int64_t edge_us = edges ? times_us[0] : 0;
    debounce_init(&debounce);
    for (size_t i = 0; i < edges; i++) {
        if (times_us[i] - edge_us > PAUSE_MAX_US) {
            debounce_settle(&debounce, settings, (uint32_t)(edge_us + DECIDED_US), &event);
            handle(&tally, &event);
        }
        edge_us = times_us[i];
        debounce_edge(&debounce, settings, (uint32_t)edge_us, &event);
        handle(&tally, &event);
        if (debounce.phase == DEBOUNCE_MAKING && debounce.made_us == debounce.edge_us) {
            tally.begun = passes[i];
        }
    }
    debounce_settle(&debounce, settings, (uint32_t)(edge_us + DECIDED_US), &event);
    handle(&tally, &event);
}
