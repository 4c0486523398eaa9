/* The core measures time in 32 bits; recordings may pause for longer. */
#ifndef REEDPROOF_PAUSE_H
#define REEDPROOF_PAUSE_H

#include <stdint.h>

/* Every train of edges is decided this long after its last edge, whatever the settings. */
#define DECIDED_US (UINT16_MAX + INT64_C(1))
/* Before an edge after a longer pause, the train before it has to be settled first. */
#define PAUSE_MAX_US INT32_MAX

#endif
