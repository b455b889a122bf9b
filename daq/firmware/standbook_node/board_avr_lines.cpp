/* ATmega328P and ATmega2560: digital lines, each change told with its time. */
#include "board_avr.h"

#if BOARD_AVR

/* By the numbers that the boards' own cores give their pins. Pins 0 and 1 are the link. */
constexpr bool watches(int pin)
{
#ifdef __AVR_ATmega2560__
    return (pin >= 10 && pin <= 13) || (pin >= 50 && pin <= 53) || (pin >= 62 && pin <= 69);
#else
    return pin >= 2 && pin <= 19;
#endif
}

#ifdef __AVR_ATmega2560__
#define WATCHED "node_config.h: on an ATmega2560 a digital line is on pin 10 to 13, 50 to 53 or A8 to A15"
#else
#define WATCHED "node_config.h: on an ATmega328P a digital line is on pin 2 to 13 or A0 to A5"
#endif
#define CHECK_LINE(name, pin, sense) static_assert(watches(pin), WATCHED);
NODE_LINES(CHECK_LINE)

#define PIN_OF(name, pin, sense) pin,
#define SENSE_OF(name, pin, sense) sense,

static const uint8_t line_pin[] = {NODE_LINES(PIN_OF) 0};
static const uint8_t line_sense_of[] = {NODE_LINES(SENSE_OF) 0};

struct line_input {
    const volatile uint8_t *port;
    uint8_t mask;
};
static line_input input[LINES + 1];
static sb_line_state line_state[LINES + 1];
volatile uint8_t levels;

constexpr uint8_t EDGES = 8; /* that may wait */
static board_edge edge_queue[EDGES];
static uint8_t edge_oldest, edges_waiting;
static uint32_t edges_unsent;

static uint8_t lines_dead; /* bits of lines whose pin has no interrupt, by a core that numbers its pins its own way */

static inline uint8_t level_of(uint8_t line)
{
    uint8_t high = (*input[line].port & input[line].mask) != 0;
    return high ^ line_sense_of[line];
}

/* A pin of this port changed. The time is that of the interrupt: 3 us late, up to 10 when another one is running. A
 * pulse that is over before it runs is not seen. */
ISR(PCINT0_vect)
{
    uint32_t now = ticks_now();
    uint8_t known = levels;
    uint8_t bit = 1;
    for (uint8_t line = 0; line < LINES; line++, bit <<= 1) {
        uint8_t level = input[line].mask ? level_of(line) : 0;
        if (level == ((known & bit) != 0))
            continue;
        levels = known ^= bit;
        line_state[line].edges++;
        line_state[line].last_ticks = now;
        news = true;
        if (edges_waiting == EDGES) {
            edges_unsent++;
            continue;
        }
        board_edge *edge = &edge_queue[(edge_oldest + edges_waiting) % EDGES];
        edge->ticks = now;
        edge->edges = line_state[line].edges;
        edge->line = line;
        edge->level = level;
        edges_waiting++;
    }
}

ISR(PCINT1_vect, ISR_ALIASOF(PCINT0_vect));
ISR(PCINT2_vect, ISR_ALIASOF(PCINT0_vect));

void begin_lines(void)
{
    for (uint8_t line = 0; line < LINES; line++) {
        int pin = line_pin[line]; /* the core's macros ask whether it is below zero */
        pinMode(pin, INPUT_PULLUP);
        if (digitalPinToPCICR(pin) == 0) {
            lines_dead |= _BV(line);
            continue;
        }
        input[line].port = portInputRegister(digitalPinToPort(pin));
        input[line].mask = digitalPinToBitMask(pin);
    }
    delayMicroseconds(200); /* for a pull-up to lift the capacitance of a long cable */
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) /* all lines: the interrupt of one looks at each */
    {
        for (uint8_t line = 0; line < LINES; line++) {
            int pin = line_pin[line];
            if (!input[line].mask)
                continue;
            *digitalPinToPCMSK(pin) |= _BV(digitalPinToPCMSKbit(pin));
            PCIFR = _BV(digitalPinToPCICRbit(pin));
            *digitalPinToPCICR(pin) |= _BV(digitalPinToPCICRbit(pin));
            if (level_of(line))
                levels |= _BV(line);
        }
    }
}

uint8_t lines_without_interrupt(void)
{
    return lines_dead;
}

bool board_edge_peek(board_edge *edge)
{
    bool waits;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        waits = edges_waiting > 0;
        if (waits)
            *edge = edge_queue[edge_oldest];
    }
    return waits;
}

void board_edge_done(void)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        edge_oldest = (edge_oldest + 1) % EDGES;
        edges_waiting--;
    }
}

uint32_t board_unsent_edges(void)
{
    uint32_t edges;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        edges = edges_unsent;
    }
    return edges;
}

uint8_t board_lines(sb_line_state *states)
{
    uint8_t now;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        now = levels;
        if (states)
            for (uint8_t line = 0; line < LINES; line++)
                states[line] = line_state[line];
    }
    return now;
}

#endif
