/* ATmega328P and ATmega2560: the link, sent by an interrupt of our own. The core's Serial would wait inside write()
 * when its 64 bytes are full, and it would switch the receiver on. Here the receiver is never enabled, so nothing on
 * the line can reach the program. Do not use Serial anywhere in the sketch: it would define the same interrupt.
 */
#include "board_avr.h"

#if BOARD_AVR

constexpr uint16_t BAUD_DIVIDER = (F_CPU / 8 + NODE_BAUD / 2) / NODE_BAUD - 1;
constexpr uint32_t REAL_BAUD = F_CPU / 8 / (BAUD_DIVIDER + 1UL);
constexpr uint32_t BAUD_ERROR = REAL_BAUD > NODE_BAUD ? REAL_BAUD - NODE_BAUD : NODE_BAUD - REAL_BAUD;
static_assert(BAUD_ERROR * 1000 / NODE_BAUD <= 22,
              "node_config.h: this processor misses NODE_BAUD by more than 2.2 %, take 250000, 500000 or 1000000");

static transmit_ring ring;

#ifdef USART_UDRE_vect
ISR(USART_UDRE_vect)
#else
ISR(USART0_UDRE_vect)
#endif
{
    UDR0 = transmit_take(&ring);
    if (transmit_empty(&ring))
        UCSR0B = _BV(TXEN0);
}

uint8_t *board_room(size_t bytes)
{
    uint8_t *place;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        place = transmit_place(&ring, bytes);
    }
    return place;
}

void board_send(size_t bytes)
{
    if (bytes == 0)
        return;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        transmit_add(&ring, bytes);
        UCSR0B = _BV(TXEN0) | _BV(UDRIE0);
    }
}

void begin_link(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = BAUD_DIVIDER;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(TXEN0);
}

#endif
