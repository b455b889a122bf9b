/* ATmega328P and ATmega2560 by their registers.
 *
 * Timer 1 runs freely at F_CPU / 8 and is both the clock of the ticks and what paces the rows: its compare interrupt
 * starts the first conversion of a row, and the interrupt at the end of a conversion takes the count and starts the
 * next. The ticks of a row are the instant of the compare. The sample itself is held 1.5 converter clocks after the
 * start, 12 us at 125 kHz, the same for every row; what differs from row to row is the way into the interrupt (2 us, up
 * to 8 when another one is running) and the wait for the next converter clock (up to 8 us).
 *
 * The link is sent by an interrupt of our own: the core's Serial would wait inside write() when its 64 bytes are full,
 * and it would switch the receiver on. Here the receiver is never enabled, so nothing on the line can reach the
 * program. Do not use Serial anywhere in the sketch: it would define the same interrupt.
 */
#include "board.h"

#if BOARD_AVR

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "boot_counter.h"
#include "bridge_adc.h"
#include "row_queue.h"
#include "transmit_ring.h"

/* ---- what this processor can do ------------------------------------------------------------------------------- */

static_assert(F_CPU == 16000000UL || F_CPU == 8000000UL, "the tick clock is made for 16 and 8 MHz");
constexpr uint8_t COUNTS_PER_TICK = F_CPU / 8 / TICK_HZ;
constexpr uint32_t ROW_COUNTS = INTERVAL_TICKS * COUNTS_PER_TICK;
static_assert(ROW_COUNTS <= 65535,
              "node_config.h: NODE_RATE is too slow for this timer, 32 (at 8 MHz 16) is the least");

constexpr uint16_t BAUD_DIVIDER = (F_CPU / 8 + NODE_BAUD / 2) / NODE_BAUD - 1;
constexpr uint32_t REAL_BAUD = F_CPU / 8 / (BAUD_DIVIDER + 1UL);
constexpr uint32_t BAUD_ERROR = REAL_BAUD > NODE_BAUD ? REAL_BAUD - NODE_BAUD : NODE_BAUD - REAL_BAUD;
static_assert(BAUD_ERROR * 1000 / NODE_BAUD <= 22,
              "node_config.h: this processor misses NODE_BAUD by more than 2.2 %, take 250000, 500000 or 1000000");

static_assert(NODE_ADC_DIVIDER == 128 || NODE_ADC_DIVIDER == 64 || NODE_ADC_DIVIDER == 32 || NODE_ADC_DIVIDER == 16,
              "node_config.h: NODE_ADC_DIVIDER is 128, 64, 32 or 16");
constexpr uint8_t ADC_PRESCALER =
    NODE_ADC_DIVIDER == 128 ? 7 : NODE_ADC_DIVIDER == 64 ? 6 : NODE_ADC_DIVIDER == 32 ? 5 : 4;
/* A conversion takes 13 converter clocks; the next is started by an interrupt about 60 cycles later, and begins with
 * the converter clock that follows. */
constexpr uint32_t CONVERSION_CYCLES = (13 + (60 + NODE_ADC_DIVIDER - 1) / NODE_ADC_DIVIDER) * NODE_ADC_DIVIDER;
constexpr uint32_t SKEW_TICKS = CONVERSION_CYCLES / (F_CPU / TICK_HZ);
static_assert(CHANNELS *CONVERSION_CYCLES + 200 <= F_CPU / NODE_RATE,
              "node_config.h: the converter cannot take so many channels so often, lower NODE_RATE");

#define CHECK_CHANNEL(name, pin, type, minimum, maximum)                                                              \
    static_assert(pin >= A0 && pin <= A7, "node_config.h: on an AVR a channel is one of A0 to A7");                   \
    static_assert(type == SB_U16 || type == SB_I16, "node_config.h: on an AVR a channel is SB_U16 or SB_I16");        \
    static_assert(minimum >= 0 && maximum <= 1023, "node_config.h: this converter gives 0 to 1023");
NODE_CHANNELS(CHECK_CHANNEL)

/* Time of the processor. Measured on an emulated ATmega328P: an interrupt at each row takes 140 cycles, at each count
 * and at each byte sent 85; framing takes 115 cycles a byte of rows, a hello 200 a byte. */
constexpr uint32_t INTERRUPT_CYCLES = NODE_RATE * (140UL + 85UL * CHANNELS) + LINK_LOAD * 85UL; /* a second */
constexpr uint32_t FRAMING_CYCLES = LINK_LOAD * 115UL;
static_assert(NODE_ALLOW_OVERRUN || INTERRUPT_CYCLES + FRAMING_CYCLES <= F_CPU / 100 * 85,
              "node_config.h: too much for this processor, lower NODE_RATE or the number of channels");
/* While a hello is made, once a second, rows gather in the batches that are free. */
constexpr uint32_t HELLO_MICROSECONDS =
    (SB_WIRE_BYTES(HELLO_BODY) * 200UL + SB_WIRE_BYTES(SAMPLES_BODY) * 115UL) * 1000UL /
    (F_CPU > INTERRUPT_CYCLES ? (F_CPU - INTERRUPT_CYCLES) / 1000UL : 1UL);
static_assert(NODE_ALLOW_OVERRUN || HELLO_MICROSECONDS <= (NODE_BATCHES - 1UL) * NODE_BATCH_ROWS * INTERVAL_TICKS,
              "node_config.h: the batches fill while a hello is made, raise NODE_BATCH_ROWS or lower NODE_RATE");

/* 512 bytes: 250 for names, edges and counters, the rest for the stack. A bridge takes 120 more. */
static_assert(sizeof(row_queue) + sizeof(transmit_ring) + 512 + (NODE_BRIDGE ? 120 : 0) <= RAMEND - RAMSTART + 1,
              "node_config.h: more memory than the chip has, lower NODE_LINK_BYTES, NODE_BATCHES or NODE_BATCH_ROWS");

/* ---- state ---------------------------------------------------------------------------------------------------- */

#define MUX_OF(name, pin, type, minimum, maximum)                                                                     \
    static_cast<uint8_t>((NODE_ADC_EXTERNAL_REFERENCE ? 0 : _BV(REFS0)) | (pin - A0)),
#define PIN_OF(name, pin, sense) pin,
#define SENSE_OF(name, pin, sense) sense,

static const uint8_t mux[] = {NODE_CHANNELS(MUX_OF)};
static const uint8_t line_pin[] = {NODE_LINES(PIN_OF) 0};
static const uint8_t line_sense_of[] = {NODE_LINES(SENSE_OF) 0};

static transmit_ring ring;
static row_queue queue;

static uint32_t overflows; /* of timer 1 */
static uint32_t row_ticks;
static volatile bool news; /* something for loop() */
static uint8_t *put;       /* where the next count goes */
static uint8_t converting; /* channel */

struct line_input {
    const volatile uint8_t *port;
    uint8_t mask;
};
static line_input input[LINES + 1];
static sb_line_state line_state[LINES + 1];
static uint8_t levels;

constexpr uint8_t EDGES = 8; /* that may wait */
static board_edge edge_queue[EDGES];
static uint8_t edge_oldest, edges_waiting;
static uint32_t edges_unsent;

static uint32_t boot_number;
static uint8_t reset_cause;
static bool boot_kept;
static uint8_t lines_dead; /* bits of lines whose pin has no interrupt */
static uint8_t remarks;    /* told so far */

#if NODE_BRIDGE
static volatile bool bridge_seen_ready;
static uint32_t bridge_ticks;
#endif

/* ---- time ----------------------------------------------------------------------------------------------------- */

/* With interrupts off. A timer that has just rolled over, but whose interrupt has not run yet, shows as its flag. */
static inline uint32_t ticks_now(void)
{
    uint16_t count = TCNT1;
    uint32_t high = overflows;
    if ((TIFR1 & _BV(TOV1)) && count < 0x8000)
        high++;
    return (high * (65536 / COUNTS_PER_TICK)) + count / COUNTS_PER_TICK;
}

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

uint32_t board_ticks(void)
{
    uint32_t ticks;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        ticks = ticks_now();
    }
    return ticks;
}

/* ---- rows ----------------------------------------------------------------------------------------------------- */

ISR(TIMER1_COMPA_vect)
{
    bool busy = queue.taking;
    if (!busy && (queue.open || queue.closed < NODE_BATCHES))
        ADCSRA |= _BV(ADSC); /* first of all: this is the instant */
    OCR1A += ROW_COUNTS;
    row_ticks += INTERVAL_TICKS;
    if (busy)
        row_skip(&queue, 1);
    else
        put = row_begin(&queue, levels, row_ticks);
    if (!queue.taking)
        news = true;
#if NODE_BRIDGE
    if (!bridge_seen_ready && bridge_is_ready()) {
        bridge_ticks = row_ticks;
        bridge_seen_ready = true;
    }
#endif
}

ISR(ADC_vect)
{
    uint8_t low = ADCL; /* the low byte first: reading it holds the high one */
    uint8_t high = ADCH;
    uint8_t next = converting + 1;
    if (next < CHANNELS) {
        ADMUX = mux[next];
        ADCSRA |= _BV(ADSC);
    } else {
        next = 0;
        ADMUX = mux[0]; /* the input settles until the next row */
    }
    converting = next;
    uint8_t *at = put;
    *at++ = low;
    *at++ = high;
    put = at;
    if (next == 0) {
        row_end(&queue);
        news = true;
    }
}

const sb_batch *board_batch(void)
{
    const sb_batch *batch;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        batch = row_oldest(&queue);
    }
    return batch;
}

void board_batch_done(void)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        row_done(&queue);
    }
}

uint32_t board_next_sequence(void)
{
    uint32_t sequence;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        sequence = row_next_sequence(&queue);
    }
    return sequence;
}

uint32_t board_skipped_rows(void)
{
    uint32_t rows;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        rows = queue.skipped;
    }
    return rows;
}

uint32_t board_skew_ticks(void)
{
    return SKEW_TICKS;
}

/* ---- digital lines -------------------------------------------------------------------------------------------- */

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
    uint8_t bit = 1;
    for (uint8_t line = 0; line < LINES; line++, bit <<= 1) {
        uint8_t level = input[line].mask ? level_of(line) : 0;
        if (level == ((levels & bit) != 0))
            continue;
        levels ^= bit;
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

static void begin_lines(void)
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
    for (uint8_t line = 0; line < LINES; line++) {
        int pin = line_pin[line];
        if (!input[line].mask)
            continue;
        *digitalPinToPCMSK(pin) |= _BV(digitalPinToPCMSKbit(pin));
        PCIFR = _BV(digitalPinToPCICRbit(pin));
        *digitalPinToPCICR(pin) |= _BV(digitalPinToPCICRbit(pin));
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            if (level_of(line))
                levels |= _BV(line);
        }
    }
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

/* ---- link ----------------------------------------------------------------------------------------------------- */

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

/* ---- start ---------------------------------------------------------------------------------------------------- */

static uint8_t read_cell(uint16_t cell)
{
    return eeprom_read_byte(reinterpret_cast<const uint8_t *>(cell));
}

static void write_cell(uint16_t cell, uint8_t value)
{
    eeprom_update_byte(reinterpret_cast<uint8_t *>(cell), value);
}

void board_begin(void)
{
    reset_cause = MCUSR;
    MCUSR = 0; /* or the watchdog cannot be stopped after it has bitten once */
    wdt_disable();

    boot_number = boot_count(read_cell, write_cell, &boot_kept);

    TIMSK0 = 0; /* the core's millisecond clock: not used here, and its interrupt would only delay ours */
    TCCR1A = 0;
    TCCR1B = 0;
    TCNT1 = 0;
    TIFR1 = _BV(TOV1) | _BV(OCF1A);
    TIMSK1 = _BV(TOIE1);
    TCCR1B = _BV(CS11);

    UCSR0A = _BV(U2X0);
    UBRR0 = BAUD_DIVIDER;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(TXEN0);

    begin_lines();

    for (uint8_t channel = 0; channel < CHANNELS; channel++)
        if ((mux[channel] & 0x0F) < 6)
            DIDR0 |= _BV(mux[channel] & 0x0F); /* the digital input of an analog pin only adds noise */
    ADMUX = mux[0];
    ADCSRB = 0;
    /* The first conversion after switching on takes 25 clocks instead of 13: one for nothing, over when rows begin. */
    ADCSRA = _BV(ADEN) | _BV(ADSC) | ADC_PRESCALER;
}

void board_start(void)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        row_ticks = ticks_now() + INTERVAL_TICKS;
        OCR1A = static_cast<uint16_t>(row_ticks * COUNTS_PER_TICK);
        row_ticks -= INTERVAL_TICKS;
        TIFR1 = _BV(OCF1A);
        TIMSK1 |= _BV(OCIE1A);
        ADCSRA |= _BV(ADIF) | _BV(ADIE);
    }
}

uint32_t board_boot(void)
{
    return boot_number;
}

void board_work(void)
{
}

/* Idle: timer, converter and link go on, and the converter has less noise around it. Only the end of a row, a skipped
 * row or an edge ends the rest; the many interrupts between, for counts and bytes, leave nothing to do here. */
void board_rest(void)
{
    set_sleep_mode(SLEEP_MODE_IDLE);
    cli();
    while (!news) {
        sleep_enable();
        sei(); /* takes effect after the next instruction, so no interrupt gets between look and sleep */
        sleep_cpu();
        sleep_disable();
        cli();
    }
    news = false;
    sei();
}

#if NODE_BRIDGE
bool board_bridge_ready(uint32_t *ticks)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        *ticks = bridge_ticks;
    }
    return bridge_seen_ready;
}

void board_bridge_done(void)
{
    bridge_seen_ready = false;
}
#endif

/* ---- what it has to say for itself ---------------------------------------------------------------------------- */

static void say_cause(node_note *note)
{
    note->say(NODE_TEXT("started: "));
    if (reset_cause & _BV(PORF)) { /* with a supply that rises slowly the brown-out flag is set as well */
        note->say(NODE_TEXT("power was switched on"));
    } else if (reset_cause & _BV(BORF)) {
        note->severity = SB_NOTE_WARNING;
        note->say(NODE_TEXT("the supply fell too low (brown-out)"));
    } else if (reset_cause & _BV(WDRF)) {
        note->severity = SB_NOTE_WARNING;
        note->say(NODE_TEXT("the watchdog reset the board"));
    } else if (reset_cause & _BV(EXTRF)) {
        note->say(NODE_TEXT("reset pin, or the port was opened"));
    } else {
        note->say(NODE_TEXT("the boot loader hides the cause"));
    }
}

bool board_remark(node_note *note)
{
    note->ticks = board_ticks();
    if (remarks == 0) {
        remarks = 1;
        say_cause(note);
        return true;
    }
    if (remarks == 1) {
        remarks = 2;
        if (!boot_kept) {
            note->severity = SB_NOTE_WARNING;
            note->say(NODE_TEXT("EEPROM is worn: the next start will have this boot number again"));
            return true;
        }
    }
    if (remarks == 2) {
        remarks = 3;
        if (lines_dead) {
            note->severity = SB_NOTE_LOSS;
            note->say(NODE_TEXT("a digital line is on a pin without interrupt and not watched, bits "));
            note->say(static_cast<uint32_t>(lines_dead));
            return true;
        }
    }
    return false;
}

#endif
