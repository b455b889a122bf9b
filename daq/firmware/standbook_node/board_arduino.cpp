/* Any other board with an Arduino core, by its plain calls. Meant for 32-bit boards.
 *
 * What it cannot do, and an AVR's board_avr.cpp can:
 * - Rows are taken when loop() comes round, so each is some microseconds late, and later when the core's own work (USB,
 *   radio) takes its time. A row carries the time at which it was due; how many came more than a tenth of an interval
 *   late, and the worst, is told in a note once in ten seconds. Switch Wi-Fi and Bluetooth off.
 * - A row that came a whole interval late is not taken afterwards: it is skipped, counted and told of.
 * - Edges are timed by attachInterrupt() and micros(): a few microseconds, if the core has nothing better to do.
 * - Nothing says how long analogRead() takes on a board, so hello tells no skew from channel to channel: it is about
 *   the time of one analogRead(), some 5 to 100 us; measure it if it matters.
 * - analogRead() of some 32-bit boards bends near its ends and has a reference of its own: calibrate through the whole
 *   chain.
 * - With USB instead of a UART, a computer that does not listen makes Serial accept nothing: rows are then skipped and
 *   counted until it listens again.
 *
 * micros() must use all 32 bits, as it does on all boards known to us; where it is started by a crystal, ticks are as
 * good as that crystal.
 */
#include "board_arduino.h"

#if !BOARD_AVR

#include <string.h>

#include "boot_counter.h"
#include "bridge_adc.h"
#include "row_queue.h"
#include "transmit_ring.h"

#if NODE_BOOT == BOOT_EEPROM || NODE_BOOT == BOOT_COMMIT
#include <EEPROM.h>
#endif

constexpr uint32_t LATE_TICKS = INTERVAL_TICKS / 10 > 20 ? INTERVAL_TICKS / 10 : 20;
constexpr uint32_t LATE_NOTE_EVERY = 10 * TICK_HZ;

#define PIN_OF(name, pin, type, minimum, maximum) pin,
#define TYPE_OF(name, pin, type, minimum, maximum) type,

static const uint8_t analog_pin[] = {NODE_CHANNELS(PIN_OF)};
static const sb_type type_of[] = {NODE_CHANNELS(TYPE_OF)};

static transmit_ring ring;
static row_queue queue;
static uint32_t row_due;
static bool sampling;

static uint32_t late_rows, worst_late, late_told; /* rows since the last note, ticks, when that was */
static uint32_t misread;                          /* counts that did not fit their type, since boot */
static uint32_t misread_told;

static uint32_t boot_number;
static bool boot_kept;
static uint8_t remarks;

#if NODE_BRIDGE
static bool bridge_seen_ready;
static uint32_t bridge_ticks;
#endif

uint32_t board_ticks(void)
{
    return micros();
}

/* ---- rows ----------------------------------------------------------------------------------------------------- */

/* Read all channels at once and pack them; a row is skipped as a whole when a count cannot be what it is called. */
static void take_row(uint32_t ticks)
{
    uint8_t row[ROW_BYTES];
    uint16_t used = 0;
    uint8_t lines = board_lines(nullptr); /* before the conversions: an edge during them is later than the row */
    for (uint8_t channel = 0; channel < CHANNELS; channel++) {
        uint8_t packed = sb_pack(row + used, type_of[channel], analogRead(analog_pin[channel]));
        if (packed == 0) {
            misread++;
            row_skip(&queue, 1);
            return;
        }
        used += packed;
    }
    uint8_t *place = row_begin(&queue, lines, ticks);
    if (place) {
        memcpy(place, row, ROW_BYTES);
        row_end(&queue);
    }
}

static void work_rows(void)
{
    uint32_t late = micros() - row_due;
    if (!sampling || static_cast<int32_t>(late) < 0)
        return;
    if (late >= INTERVAL_TICKS) {
        uint32_t rows = late / INTERVAL_TICKS;
        row_skip(&queue, rows);
        row_due += rows * INTERVAL_TICKS;
        late -= rows * INTERVAL_TICKS;
    }
    if (late > LATE_TICKS)
        late_rows++;
    if (late > worst_late)
        worst_late = late;
    take_row(row_due);
    row_due += INTERVAL_TICKS;
}

const sb_batch *board_batch(void)
{
    return row_oldest(&queue);
}

void board_batch_done(void)
{
    row_done(&queue);
}

uint32_t board_next_sequence(void)
{
    return row_next_sequence(&queue);
}

uint32_t board_skipped_rows(void)
{
    return queue.skipped;
}

uint32_t board_skew_ticks(void)
{
    return 0;
}

/* ---- link ----------------------------------------------------------------------------------------------------- */

/* Hand over as much as Serial takes without waiting. */
static void work_link(void)
{
    int accepts = Serial.availableForWrite();
    size_t bytes;
    const uint8_t *run = transmit_run(&ring, &bytes);
    if (accepts <= 0 || bytes == 0)
        return;
    if (bytes > static_cast<size_t>(accepts))
        bytes = static_cast<size_t>(accepts);
    /* In one piece: some cores make a USB packet of each call. */
    transmit_drop(&ring, Serial.write(run, bytes));
}

uint8_t *board_room(size_t bytes)
{
    return transmit_place(&ring, bytes);
}

void board_send(size_t bytes)
{
    if (bytes)
        transmit_add(&ring, bytes);
}

/* ---- start ---------------------------------------------------------------------------------------------------- */

#if NODE_BOOT == BOOT_EEPROM || NODE_BOOT == BOOT_COMMIT
static uint8_t read_cell(uint16_t cell)
{
    return EEPROM.read(cell);
}

static void write_cell(uint16_t cell, uint8_t value)
{
    EEPROM.write(cell, value);
}

static void begin_boot(void)
{
#if NODE_BOOT == BOOT_COMMIT
    EEPROM.begin(BOOT_PLACES * BOOT_CELLS);
#endif
    boot_number = boot_count(read_cell, write_cell, &boot_kept);
#if NODE_BOOT == BOOT_COMMIT
    boot_kept = EEPROM.commit() && boot_kept;
#endif
}
#else
static void begin_boot(void)
{
    uint32_t noise = 0;
    for (uint8_t round = 0; round < 64; round++) {
        uint32_t drop[2] = {static_cast<uint32_t>(analogRead(analog_pin[0])), static_cast<uint32_t>(micros())};
        noise = sb_crc32(noise, drop, sizeof drop);
    }
    boot_number = noise;
    boot_kept = false;
}
#endif

void board_begin(void)
{
    Serial.begin(NODE_BAUD);
#if NODE_READ_BITS > 0
    analogReadResolution(NODE_READ_BITS);
#endif
    begin_boot();
    begin_lines();
    late_told = micros();
}

void board_start(void)
{
    row_due = micros() + INTERVAL_TICKS;
    sampling = true;
}

uint32_t board_boot(void)
{
    return boot_number;
}

void board_work(void)
{
    work_rows();
#if NODE_BRIDGE
    if (!bridge_seen_ready && bridge_is_ready()) {
        bridge_ticks = micros();
        bridge_seen_ready = true;
    }
#endif
    work_link();
}

/* Rows are due when micros() says so, and nothing would wake the board for that. */
void board_rest(void)
{
}

#if NODE_BRIDGE
bool board_bridge_ready(uint32_t *ticks)
{
    *ticks = bridge_ticks;
    return bridge_seen_ready;
}

void board_bridge_done(void)
{
    bridge_seen_ready = false;
}
#endif

/* ---- what it has to say for itself ---------------------------------------------------------------------------- */

bool board_remark(node_note *note)
{
    note->ticks = micros();
    if (remarks == 0) {
        remarks = 1;
        note->say(NODE_TEXT("started; this board does not say why"));
        return true;
    }
    if (remarks == 1) {
        remarks = 2;
        if (!boot_kept) {
            note->severity = SB_NOTE_WARNING;
            note->say(NODE_BOOT == BOOT_NOISE ? NODE_TEXT("no EEPROM: the boot number is made of noise")
                                              : NODE_TEXT("EEPROM was not written: the boot number may come again"));
            return true;
        }
    }
    if (remarks == 2) {
        remarks = 3;
        if (lines_without_interrupt()) {
            say_unwatched(note, lines_without_interrupt());
            return true;
        }
    }
    if (micros() - late_told < LATE_NOTE_EVERY)
        return false;
    late_told = micros();
    if (misread != misread_told) {
        misread_told = misread;
        note->severity = SB_NOTE_LOSS;
        note->say(NODE_TEXT("analogRead() gave "));
        note->say(misread);
        note->say(NODE_TEXT(" values that do not fit their type, since boot; rows skipped"));
        return true;
    }
    if (late_rows == 0)
        return false;
    note->say(NODE_TEXT("rows late by more than "));
    note->say(LATE_TICKS);
    note->say(NODE_TEXT(" us: "));
    note->say(late_rows);
    note->say(NODE_TEXT(", worst "));
    note->say(worst_late);
    note->say(NODE_TEXT(" us"));
    late_rows = worst_late = 0;
    return true;
}

#endif
