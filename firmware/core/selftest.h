/* Electrical self-test of the inputs, as a state machine: it says how the pins should be driven,
 * the board drives them and hands back what they read.
 *
 * 1. Pull-ups on: what reads low is a closed contact or a short to ground (electrically the same).
 * 2. Pull-ups off: what still reads high is held from outside, or is an open line that keeps its
 *    charge. It is never driven.
 * 3. Each remaining pin is driven low for a moment with the pull-ups of the others on: what follows
 *    it down is shorted to it. */
#ifndef REEDPROOF_SELFTEST_H
#define REEDPROOF_SELFTEST_H

#include <stdbool.h>
#include <stdint.h>

#include "levels.h"

enum selftest_verdict {
    SELFTEST_GOOD,      /* pull-up works, not tied, not shorted to another input */
    SELFTEST_READS_LOW, /* closed contact, magnet parked on it, or short to ground */
    SELFTEST_HELD_HIGH, /* held high from outside, or an open line that keeps its charge */
    SELFTEST_SHORTED,   /* to the partners */
};

struct selftest_pins {
    levels_t pulled; /* pull-up on */
    levels_t driven; /* driven low; at most one bit */
};

struct selftest_result {
    uint8_t input;
    uint8_t verdict;
    levels_t partners;
};

struct selftest {
    uint32_t since_us;
    levels_t all;
    levels_t low;
    levels_t held;
    levels_t partners; /* of the input at hand */
    uint8_t step;
    bool entered; /* the pins are being driven for this step since `since_us` */
    uint8_t input;
};

void selftest_init(struct selftest *test);
void selftest_start(struct selftest *test, levels_t inputs);
bool selftest_is_running(const struct selftest *test);
struct selftest_pins selftest_pins(const struct selftest *test);

/* `closed` are the pins that read low right now, driven as selftest_pins() says. True when a result
 * is ready; the test waits until it was fetched with selftest_result(). */
bool selftest_step(struct selftest *test, uint32_t now_us, levels_t closed);
/* Gives up; the pins come back to what sampling needs. */
void selftest_abort(struct selftest *test);

struct selftest_result selftest_result(struct selftest *test);

#endif
