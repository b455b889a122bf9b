/* What the files of this board share: ATmega328P and ATmega2560 by their registers.
 *
 * board_avr.cpp            start, rest, what it has to say for itself
 * board_avr_rows.cpp       clock and converter
 * board_avr_lines.cpp      digital lines
 * board_avr_link.cpp       what goes out
 */
#ifndef BOARD_AVR_H
#define BOARD_AVR_H

#include "board.h"

#if BOARD_AVR

#include <avr/interrupt.h>
#include <util/atomic.h>

#include "row_queue.h"
#include "transmit_ring.h"

static_assert(F_CPU == 16000000UL || F_CPU == 8000000UL, "this firmware knows AVR boards of 16 and 8 MHz only");
constexpr uint8_t COUNTS_PER_TICK = F_CPU / 8 / TICK_HZ;

extern volatile uint32_t overflows; /* of timer 1 */
extern volatile bool news;          /* something for loop() */
extern volatile uint8_t levels;     /* of the digital lines */

/* With interrupts off. A timer that has just rolled over, but whose interrupt has not run yet, shows as its flag. */
static inline uint32_t ticks_now(void)
{
    uint16_t count = TCNT1;
    uint32_t high = overflows;
    if ((TIFR1 & _BV(TOV1)) && count < 0x8000)
        high++;
    return (high * (65536 / COUNTS_PER_TICK)) + count / COUNTS_PER_TICK;
}

void begin_clock(void);
void begin_converter(void);
void begin_lines(void);
void begin_link(void);
uint8_t lines_without_interrupt(void); /* their bits */

#endif
#endif
