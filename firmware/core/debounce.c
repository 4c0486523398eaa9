#include "debounce.h"

#include "width.h"

static uint8_t longer(uint8_t code, uint32_t width_us) {
    uint8_t other = width_code(width_us);
    return other > code ? other : code;
}

static uint16_t one_more(uint16_t count) {
    return count == UINT16_MAX ? count : (uint16_t)(count + 1);
}

static uint8_t sum(uint8_t a, uint16_t b) {
    uint32_t exact = (uint32_t)a + b;
    return (uint8_t)(exact > UINT8_MAX ? UINT8_MAX : exact);
}

static void start_train(struct debounce *d) {
    d->pairs = 0;
    d->gap = 0;
}

/* Everything else is written by the first edge of a train before it is read. */
void debounce_init(struct debounce *d) {
    d->phase = DEBOUNCE_OPEN;
    d->closed = false;
}

static void make(struct debounce *d, struct debounce_event *event) {
    event->kind = DEBOUNCE_MADE;
    event->time_us = d->made_us;
    event->pairs = d->pairs;
    event->longest = d->gap;
    event->settle_us = d->edge_us - d->made_us;
    d->phase = DEBOUNCE_CLOSED;
    d->dropouts = 0;
}

static void give_up_making(struct debounce *d, struct debounce_event *event) {
    event->kind = DEBOUNCE_BLIP;
    event->pairs = one_more(d->pairs); /* the first closing has no opening before it */
    event->longest = d->width;
    d->phase = DEBOUNCE_OPEN;
}

static void give_up_breaking(struct debounce *d, struct debounce_event *event) {
    event->kind = DEBOUNCE_DROPOUT;
    event->pairs = d->pairs;
    event->longest = d->gap;
    d->dropouts = sum(d->dropouts, d->pairs);
    d->phase = DEBOUNCE_CLOSED;
}

static void release(struct debounce *d, struct debounce_event *event) {
    event->kind = DEBOUNCE_BROKE;
    event->time_us = d->open_us;
    event->duration_us = d->open_us - d->made_us;
    event->pairs = d->pairs;
    event->dropouts = d->dropouts;
    d->phase = DEBOUNCE_OPEN;
}

/* An unsettled level has stood for long enough. */
static void settle(struct debounce *d, struct debounce_event *event) {
    bool making = d->phase == DEBOUNCE_MAKING;
    if (d->closed) {
        if (making) {
            make(d, event);
        } else {
            give_up_breaking(d, event);
        }
    } else if (making) {
        give_up_making(d, event);
    } else {
        release(d, event);
    }
}

void debounce_settle(struct debounce *d, const struct debounce_settings *settings, uint32_t now_us,
                     struct debounce_event *event) {
    event->kind = DEBOUNCE_NOTHING;
    if (!debounce_is_settled(d) && debounce_left(d, settings, now_us) == 0) {
        settle(d, event);
    }
}

void debounce_edge(struct debounce *d, const struct debounce_settings *settings, uint32_t time_us,
                   struct debounce_event *event) {
    uint32_t elapsed_us = time_us - d->edge_us;
    event->kind = DEBOUNCE_NOTHING;
    if (!debounce_is_settled(d) && elapsed_us >= debounce_limit_us(d, settings)) {
        settle(d, event);
    }
    uint8_t phase = d->phase;
    bool closed = !d->closed;
    if (phase == DEBOUNCE_OPEN) {
        phase = DEBOUNCE_MAKING;
        d->made_us = time_us;
        d->width = 0;
        start_train(d);
    } else if (phase == DEBOUNCE_CLOSED) {
        phase = DEBOUNCE_BREAKING;
        d->open_us = time_us;
        start_train(d);
    } else if (closed) { /* the train goes on */
        d->gap = longer(d->gap, elapsed_us);
        d->pairs = one_more(d->pairs);
    } else if (phase == DEBOUNCE_MAKING) {
        d->width = longer(d->width, elapsed_us);
    }
    d->edge_us = time_us;
    d->closed = closed;
    d->phase = phase & 3u;
}
