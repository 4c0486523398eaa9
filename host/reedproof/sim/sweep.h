/* One input's edges through the debouncer, counted against the passes that are known to have been.
 * For trying many settings on one recording. Not part of the firmware. */
#ifndef REEDPROOF_SWEEP_H
#define REEDPROOF_SWEEP_H

#include <stddef.h>
#include <stdint.h>

#include "debounce.h"

struct sweep_count {
    uint64_t closures; /* begun within a pass */
    uint64_t splits;   /* of these, those after the first one of the same pass */
    uint64_t extras;   /* begun outside of any pass: interference that counted */
};

/* `times_us` must not decrease; the edges alternate, closing first. `passes[i]` is the number of
 * the pass that edge belongs to, the same or more than the edge before's, or SWEEP_NO_PASS. Levels
 * stay as they are after the last edge. A pass without a closure is lost: passes - (closures -
 * splits). */
#define SWEEP_NO_PASS UINT32_MAX
void sweep_input(const int64_t *times_us, const uint32_t *passes, size_t edges,
                 const struct debounce_settings *settings, struct sweep_count *count);

#endif
