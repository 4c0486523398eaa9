/* The registers of the RP2040 that this port uses, by the names of its datasheet.
 *
 * Emulator-tested, not yet run on hardware: this whole folder. */
#ifndef REEDPROOF_RP2040_H
#define REEDPROOF_RP2040_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(uintptr_t)(address))

/* Aliases that set or clear the bits written; not for SIO, the processor's own and the USB memory.
 */
#define SET(reg) REGISTER((uintptr_t) & (reg) + 0x2000u)
#define CLEAR(reg) REGISTER((uintptr_t) & (reg) + 0x3000u)

/* ---- the processor's own ---- */

#define NVIC_ISER REGISTER(0xE000E100u)
#define IRQ_TIMER_0 0
#define IRQ_COUNT 26

/* ---- resets, clocks ---- */

#define RESETS_RESET REGISTER(0x4000C000u)
#define RESETS_DONE REGISTER(0x4000C008u)
#define RESET_IO_BANK0 (1u << 5)
#define RESET_PADS_BANK0 (1u << 8)
#define RESET_PLL_USB (1u << 13)
#define RESET_TIMER (1u << 21)
#define RESET_USBCTRL (1u << 24)

#define XOSC_CTRL REGISTER(0x40024000u)
#define XOSC_STATUS REGISTER(0x40024004u)
#define XOSC_STARTUP REGISTER(0x4002400Cu)
#define XOSC_1_15_MHZ 0xAA0u
#define XOSC_ENABLE (0xFABu << 12)
#define XOSC_STABLE (1u << 31)

#define PLL_USB_CS REGISTER(0x4002C000u)
#define PLL_USB_PWR REGISTER(0x4002C004u)
#define PLL_USB_FBDIV REGISTER(0x4002C008u)
#define PLL_USB_PRIM REGISTER(0x4002C00Cu)
#define PLL_LOCK (1u << 31)
#define PLL_OFF (1u << 0)
#define PLL_POST_DIVIDERS_OFF (1u << 3)
#define PLL_VCO_OFF (1u << 5)

#define CLK_REF_CTRL REGISTER(0x40008030u)
#define CLK_REF_SELECTED REGISTER(0x40008038u)
#define CLK_SYS_CTRL REGISTER(0x4000803Cu)
#define CLK_SYS_SELECTED REGISTER(0x40008044u)
#define CLK_USB_CTRL REGISTER(0x40008054u)
#define CLK_REF_FROM_XOSC 2u
#define CLK_SYS_FROM_AUX 1u
#define CLK_SYS_AUX_PLL_USB (1u << 5)
#define CLK_USB_ENABLE (1u << 11) /* from the USB PLL unless told otherwise */

/* ---- reset causes, watchdog, timer ---- */

#define PSM_WDSEL REGISTER(0x40010008u)
#define PSM_ALL_BUT_OSCILLATORS 0x1FFFCu

#define CHIP_RESET REGISTER(0x40064008u)
#define CHIP_HAD_POWER_ON (1u << 8) /* or a brown-out: the chip does not tell them apart */
#define CHIP_HAD_RUN_PIN (1u << 16)

#define WATCHDOG_CTRL REGISTER(0x40058000u)
#define WATCHDOG_LOAD REGISTER(0x40058004u)
#define WATCHDOG_REASON REGISTER(0x40058008u)
#define WATCHDOG_SCRATCH0 REGISTER(0x4005800Cu)
#define WATCHDOG_TICK REGISTER(0x4005802Cu)
#define WATCHDOG_ENABLE (1u << 30)
#define WATCHDOG_TRIGGER (1u << 31)
#define WATCHDOG_TICK_ENABLE (1u << 9)

#define TIMER_ALARM0 REGISTER(0x40054010u)
#define TIMER_RAWL REGISTER(0x40054028u)
#define TIMER_INTR REGISTER(0x40054034u)
#define TIMER_INTE REGISTER(0x40054038u)

/* ---- pins ---- */

#define GPIO_CTRL(pin) REGISTER(0x40014004u + 8u * (pin))
#define GPIO_FUNCTION_SIO 5u

#define PAD(pin) REGISTER(0x4001C004u + 4u * (pin))
#define PAD_SCHMITT (1u << 1)
#define PAD_PULL_DOWN (1u << 2)
#define PAD_PULL_UP (1u << 3)
#define PAD_4_MA (1u << 4)
#define PAD_INPUT (1u << 6)

#define SIO_IN REGISTER(0xD0000004u)
#define SIO_OUT_SET REGISTER(0xD0000014u)
#define SIO_OUT_CLEAR REGISTER(0xD0000018u)
#define SIO_OUTPUT_SET REGISTER(0xD0000024u)
#define SIO_OUTPUT_CLEAR REGISTER(0xD0000028u)

/* ---- flash interface ---- */

#define QSPI_SS_CTRL REGISTER(0x4001800Cu)
#define QSPI_SS_LOW (2u << 8)
#define QSPI_SS_OVERRIDE (3u << 8)

#define SSI_CTRLR0 REGISTER(0x18000000u)
#define SSI_CTRLR1 REGISTER(0x18000004u)
#define SSI_ENABLE REGISTER(0x18000008u)
#define SSI_SLAVES REGISTER(0x18000010u)
#define SSI_BAUD REGISTER(0x18000014u)
#define SSI_STATUS REGISTER(0x18000028u)
#define SSI_DATA REGISTER(0x18000060u)
#define SSI_RECEIVED (1u << 3)
#define SSI_8_BIT_FRAMES (7u << 16)

/* ---- USB device ---- */

#define USB_MEMORY 0x50100000u
#define USB_SETUP_LOW REGISTER(USB_MEMORY)
#define USB_SETUP_HIGH REGISTER(USB_MEMORY + 4u)
#define USB_ENDPOINT_IN(n) REGISTER(USB_MEMORY + 8u * (n)) /* not for endpoint 0 */
#define USB_ENDPOINT_OUT(n) REGISTER(USB_MEMORY + 4u + 8u * (n))
#define USB_BUFFER_IN(n) REGISTER(USB_MEMORY + 0x80u + 8u * (n))
#define USB_BUFFER_OUT(n) REGISTER(USB_MEMORY + 0x84u + 8u * (n))
#define USB_BUFFER0_AT 0x100u /* given by the chip */
#define USB_BUFFERS_AT 0x180u

#define USB_ENDPOINT_ON (1u << 31)
#define USB_EACH_BUFFER (1u << 29)
#define USB_BULK (2u << 26)
#define USB_INTERRUPT (3u << 26)

#define USB_FULL (1u << 15)
#define USB_DATA1 (1u << 13)
#define USB_STALL (1u << 11)
#define USB_AVAILABLE (1u << 10)
#define USB_LENGTH 0x3FFu

#define USB_ADDRESS REGISTER(0x50110000u)
#define USB_MAIN_CTRL REGISTER(0x50110040u)
#define USB_SIE_CTRL REGISTER(0x5011004Cu)
#define USB_SIE_STATUS REGISTER(0x50110050u)
#define USB_BUFF_STATUS REGISTER(0x50110058u)
#define USB_STALL_ARM REGISTER(0x50110068u)
#define USB_MUXING REGISTER(0x50110074u)
#define USB_POWER REGISTER(0x50110078u)
#define USB_CONTROLLER_ON 1u
#define USB_PULL_UP (1u << 16)
#define USB_EACH_BUFFER0 (1u << 29)
#define USB_SETUP_RECEIVED (1u << 17)
#define USB_BUS_RESET (1u << 19)
#define USB_TO_PHY (1u << 0 | 1u << 3)
#define USB_POWERED (1u << 2 | 1u << 3) /* taken as there: the board lives on it */

#endif
