/* From the second-stage loader to main(), and the vector table. */
#include <stdint.h>

#include "rp2040.h"
#include "start.h"

extern uint32_t bss_start[];
extern uint32_t bss_end[];
extern uint32_t stack_end[];
int main(void);

/* Also where a fault ends: the watchdog restarts the board. */
static void hang(void) {
    for (;;) {
    }
}

void reset(void) {
    for (uint32_t *word = bss_start; word < bss_end; word++) {
        *word = 0;
    }
    main();
}

struct vectors {
    uint32_t *stack_end;
    void (*reset)(void);
    void (*exceptions[14])(void);
    void (*interrupts[IRQ_COUNT])(void);
};

__attribute__((section(".vectors"), used, aligned(256))) static const struct vectors vectors = {
    .stack_end = stack_end,
    .reset = reset,
    .exceptions = {[0] = hang, [1] = hang},
    .interrupts = {[IRQ_TIMER_0] = sample},
};
