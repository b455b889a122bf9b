/* ATmega328P and ATmega2560: clock and converter.
 *
 * Timer 1 runs freely at F_CPU / 8 and is both the clock of the ticks and what paces the rows: its compare interrupt
 * starts the first conversion of a row, and the interrupt at the end of a conversion takes the count and starts the
 * next. The ticks of a row are the instant of the compare. The sample itself is held 1.5 converter clocks after the
 * start, 12 us at 125 kHz, the same for every row; what differs from row to row is the way into the interrupt (3 us, up
 * to 8 when another one is running, more with many digital lines) and the wait for the next converter clock (up to 8
 * us).
 */
#include "board_avr.h"

#if BOARD_AVR

#include "bridge_adc.h"

/* ---- what converter and processor can do ---------------------------------------------------------------------- */

constexpr uint32_t ROW_COUNTS = INTERVAL_TICKS * COUNTS_PER_TICK;
static_assert(ROW_COUNTS <= 65535,
              "node_config.h: NODE_RATE is too slow for this timer, 32 (at 8 MHz 16) is the least");

static_assert(NODE_ADC_DIVIDER == 128 || NODE_ADC_DIVIDER == 64 || NODE_ADC_DIVIDER == 32 || NODE_ADC_DIVIDER == 16,
              "node_config.h: NODE_ADC_DIVIDER is 128, 64, 32 or 16");
constexpr uint8_t ADC_PRESCALER =
    NODE_ADC_DIVIDER == 128 ? 7 : NODE_ADC_DIVIDER == 64 ? 6 : NODE_ADC_DIVIDER == 32 ? 5 : 4;
/* A conversion takes 13 converter clocks; the next is started by an interrupt about 60 cycles later, and begins with
 * the converter clock that follows. */
constexpr uint32_t CONVERSION_CYCLES = (13 + (60 + NODE_ADC_DIVIDER - 1) / NODE_ADC_DIVIDER) * NODE_ADC_DIVIDER;
constexpr uint32_t SKEW_TICKS = CONVERSION_CYCLES / (F_CPU / TICK_HZ);
/* Besides, a row: its first conversion waits for a converter clock, and interrupts wait for each other. With 200 cycles
 * one channel 8,000 times a second lost 4 rows in 100 on an emulated chip. */
static_assert(CHANNELS *CONVERSION_CYCLES + 400 <= F_CPU / NODE_RATE,
              "node_config.h: the converter cannot take so many channels so often, lower NODE_RATE");

#define CHECK_CHANNEL(name, pin, type, minimum, maximum)                                                              \
    static_assert(pin >= A0 && pin <= A7, "node_config.h: on an AVR a channel is one of A0 to A7");                   \
    static_assert(pin - A0 < NUM_ANALOG_INPUTS, "node_config.h: the board chosen in the IDE has no pin A6 or A7");    \
    static_assert(type == SB_U16 || type == SB_I16, "node_config.h: on an AVR a channel is SB_U16 or SB_I16");        \
    static_assert(minimum >= 0 && maximum <= 1023, "node_config.h: this converter gives 0 to 1023");
NODE_CHANNELS(CHECK_CHANNEL)

/* Time of the processor. Measured on an emulated ATmega328P: an interrupt at each row takes 180 cycles, at each count
 * and at each byte sent 85; framing takes 115 cycles a byte of rows, a hello 200 a byte. */
constexpr uint32_t INTERRUPT_CYCLES = NODE_RATE * (180UL + 85UL * CHANNELS) + LINK_LOAD * 85UL; /* a second */
constexpr uint32_t FRAMING_CYCLES = LINK_LOAD * 115UL;
static_assert(NODE_ALLOW_OVERRUN || INTERRUPT_CYCLES + FRAMING_CYCLES <= F_CPU / 100 * 85,
              "node_config.h: too much for this processor, lower NODE_RATE or the number of channels");
/* While a hello is made, once a second, rows gather in the batches that are free. */
constexpr uint32_t HELLO_MICROSECONDS =
    (SB_WIRE_BYTES(HELLO_BODY) * 200UL + SB_WIRE_BYTES(SAMPLES_BODY) * 115UL) * 1000UL /
    (F_CPU > INTERRUPT_CYCLES ? (F_CPU - INTERRUPT_CYCLES) / 1000UL : 1UL);
static_assert(NODE_ALLOW_OVERRUN || HELLO_MICROSECONDS <= (NODE_BATCHES - 1UL) * NODE_BATCH_ROWS * INTERVAL_TICKS,
              "node_config.h: the batches fill while a hello is made, raise NODE_BATCH_ROWS or lower NODE_RATE");

/* Memory besides rows and link: what each channel, line and name takes, 200 bytes for edges, counters and the rest, and
 * 280 for the stack, of which up to 240 were used on an emulated chip. */
#define BYTES_OF_CHANNEL(name, pin, type, minimum, maximum) +sizeof(sb_channel) + sizeof(name) + 1
#define BYTES_OF_LINE(name, pin, sense) +sizeof(sb_line) + 2 * sizeof(sb_line_state) + sizeof(name) + 5
constexpr size_t NAMES = sizeof(NODE_DEVICE) + sizeof(NODE_SERIAL) + sizeof(NODE_FIRMWARE) +
                         sizeof(NODE_STREAM) NODE_CHANNELS(BYTES_OF_CHANNEL) NODE_LINES(BYTES_OF_LINE);
constexpr size_t BRIDGE_MEMORY =
    NODE_BRIDGE ? 120 + NODE_BRIDGE_ROWS * BRIDGE_ROW_BYTES NODE_BRIDGE_CHANNELS(BYTES_OF_CHANNEL) : 0;
static_assert(sizeof(row_queue) + sizeof(transmit_ring) + NAMES + BRIDGE_MEMORY + 200 + 280 <= RAMEND - RAMSTART + 1,
              "node_config.h: more memory than the chip has, lower NODE_LINK_BYTES, NODE_BATCHES or NODE_BATCH_ROWS, "
              "or leave out channels or lines");

/* ---- clock ---------------------------------------------------------------------------------------------------- */

volatile uint32_t overflows;
volatile bool news;

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

void begin_clock(void)
{
    TIMSK0 = 0; /* the core's millisecond clock: not used here, and its interrupt would only delay ours */
    TCCR1A = 0;
    TCCR1B = 0;
    TCNT1 = 0;
    TIFR1 = _BV(TOV1) | _BV(OCF1A);
    TIMSK1 = _BV(TOIE1);
    TCCR1B = _BV(CS11);
}

/* ---- rows ----------------------------------------------------------------------------------------------------- */

#define MUX_OF(name, pin, type, minimum, maximum)                                                                     \
    static_cast<uint8_t>((NODE_ADC_EXTERNAL_REFERENCE ? 0 : _BV(REFS0)) | (pin - A0)),

static const uint8_t mux[] = {NODE_CHANNELS(MUX_OF)};
static row_queue queue;
static uint32_t row_ticks;
static uint8_t *put;       /* where the next count goes */
static uint8_t converting; /* channel */

#if NODE_BRIDGE
static bool bridge_seen_ready;
static uint32_t bridge_ticks;
#endif

/* Counts of the timer that it takes to set the next compare. */
constexpr uint16_t COMPARE_MARGIN = 32;

ISR(TIMER1_COMPA_vect)
{
    bool busy = queue.taking;
    uint16_t skipped = busy;
    /* Somebody (a bridge's driver) kept interrupts off for longer than a row: the compare behind this one has gone by,
     * and would come again only when the timer has gone round. */
    for (; static_cast<uint16_t>(TCNT1 - OCR1A + COMPARE_MARGIN) >= static_cast<uint16_t>(ROW_COUNTS); skipped++) {
        OCR1A += ROW_COUNTS;
        row_ticks += INTERVAL_TICKS;
    }
    if (skipped)
        row_skip(&queue, skipped);
    if (!busy && (queue.open || queue.closed < NODE_BATCHES))
        ADCSRA |= _BV(ADSC); /* before the rest: this is the instant */
    OCR1A += ROW_COUNTS;
    row_ticks += INTERVAL_TICKS;
    if (!busy)
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

void begin_converter(void)
{
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

#if NODE_BRIDGE
bool board_bridge_ready(uint32_t *ticks)
{
    bool ready;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        ready = bridge_seen_ready;
        *ticks = bridge_ticks;
    }
    return ready;
}

void board_bridge_done(void)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        bridge_seen_ready = false;
    }
}
#endif

#endif
