@ The second-stage loader: the chip's boot ROM puts these 256 bytes at 0x20041F00 and jumps there,
@ if their CRC is right. They let the flash be read as memory (slowly, with the read command 03h that
@ every flash knows), copy the program to RAM and start it.
@
@ Unproven: the emulator does not look at how the flash interface is set up.

.syntax unified
.cpu cortex-m0plus
.thumb

.section .loader, "ax"
.thumb_func
loader:
    ldr r0, =0x18000000         @ the flash interface
    movs r1, #0
    str r1, [r0, #0x08]         @ off while it is set up
    movs r1, #2
    str r1, [r0, #0x14]         @ half the system clock, which is some 6 MHz at first
    ldr r1, =0x001F0300         @ 32-bit frames, "send an address, then read"
    str r1, [r0, #0x00]
    movs r1, #0
    str r1, [r0, #0x04]         @ one frame at a time
    movs r1, #1
    str r1, [r0, #0x10]         @ the one chip there is
    ldr r1, =0x03000218         @ command 03h of 8 bits, address of 24, all on one wire
    ldr r2, =0x180000F4
    str r1, [r2]
    movs r1, #1
    str r1, [r0, #0x08]

    ldr r0, =0x10000100
    ldr r1, =0x20000000
    ldr r2, =program_words
1:  ldmia r0!, {r3}
    stmia r1!, {r3}
    subs r2, #1
    bne 1b

    ldr r0, =0x20000000         @ the vector table begins with the stack's end and the first address
    ldr r1, =0xE000ED08
    str r0, [r1]
    ldmia r0!, {r1, r2}
    msr msp, r1
    bx r2
.pool
