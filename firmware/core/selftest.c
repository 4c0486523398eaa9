#include "selftest.h"

enum step {
    STEP_IDLE,
    STEP_PULL,    /* pull-ups on, lines rise */
    STEP_RELEASE, /* pull-ups off, lines fall */
    STEP_DRIVE,   /* one pin low */
    STEP_RESULT,  /* of one input, waiting to be fetched */
    STEP_RESTORE, /* pull-ups on again, lines rise before sampling goes on */
};

/* 50 kOhm and 10 nF (100 m of cable) rise to 0.6 of the supply in 0.5 ms. */
#define RISE_US 1000
/* Leakage takes the charge off an open line; most are down within this. */
#define FALL_US 50000
/* The others rise past their threshold meanwhile, if nothing holds them. */
#define DRIVE_US 1000

/* A step's time runs from its first call of selftest_step(), before which the board has driven the
 * pins for it: however long the board was busy in between, the lines get their time to settle. */
static void enter(struct selftest *test, uint8_t step) {
    test->step = step;
    test->entered = false;
}

void selftest_init(struct selftest *test) {
    test->step = STEP_IDLE;
}

void selftest_start(struct selftest *test, levels_t inputs) {
    test->all = inputs;
    test->low = 0;
    test->held = 0;
    test->partners = 0;
    test->input = 0;
    enter(test, STEP_PULL);
}

bool selftest_is_running(const struct selftest *test) {
    return test->step != STEP_IDLE;
}

/* Only a pin that was seen low without its pull-up is driven: nothing outside holds it high. */
static bool may_drive(const struct selftest *test) {
    return !((test->held | test->low) & level_bit(test->input));
}

struct selftest_pins selftest_pins(const struct selftest *test) {
    struct selftest_pins pins = {.pulled = test->all, .driven = 0};
    if (test->step == STEP_RELEASE) {
        pins.pulled = 0;
    } else if (test->step == STEP_DRIVE && may_drive(test)) {
        pins.driven = level_bit(test->input);
        pins.pulled = (levels_t)(test->all & ~pins.driven);
    }
    return pins;
}

bool selftest_step(struct selftest *test, uint32_t now_us, levels_t closed) {
    if (!test->entered) {
        test->entered = true;
        test->since_us = now_us;
    }
    uint32_t elapsed_us = now_us - test->since_us;
    switch (test->step) {
    case STEP_PULL:
        if (elapsed_us >= RISE_US) {
            test->low = closed & test->all;
            enter(test, STEP_RELEASE);
        }
        break;
    case STEP_RELEASE:
        test->held = (levels_t)(test->all & ~closed);
        if (test->held == 0 || elapsed_us >= FALL_US) {
            enter(test, STEP_DRIVE);
        }
        break;
    case STEP_DRIVE:
        if (!may_drive(test)) {
            test->partners = 0;
            enter(test, STEP_RESULT);
        } else if (elapsed_us >= DRIVE_US) {
            test->partners = (levels_t)(closed & test->all & ~test->low & ~level_bit(test->input));
            enter(test, STEP_RESULT);
        }
        break;
    case STEP_RESTORE:
        if (elapsed_us >= RISE_US) {
            enter(test, STEP_IDLE);
        }
        break;
    default:
        break;
    }
    return test->step == STEP_RESULT;
}

void selftest_abort(struct selftest *test) {
    enter(test, STEP_RESTORE);
}

struct selftest_result selftest_result(struct selftest *test) {
    levels_t bit = level_bit(test->input);
    struct selftest_result result = {.input = test->input, .partners = test->partners};
    if (test->held & bit) {
        result.verdict = SELFTEST_HELD_HIGH;
    } else if (test->low & bit) {
        result.verdict = SELFTEST_READS_LOW;
    } else {
        result.verdict = test->partners != 0 ? SELFTEST_SHORTED : SELFTEST_GOOD;
    }
    test->input++;
    if (test->input < REEDPROOF_INPUTS && (test->all & level_bit(test->input)) != 0) {
        enter(test, STEP_DRIVE);
    } else {
        test->input = 0;
        enter(test, STEP_RESTORE);
    }
    return result;
}
