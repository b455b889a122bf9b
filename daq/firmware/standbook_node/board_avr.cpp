/* ATmega328P and ATmega2560: start and rest, and what the board has to say for itself. */
#include "board_avr.h"

#if BOARD_AVR

#include <avr/eeprom.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "boot_counter.h"

static uint32_t boot_number;
static uint8_t reset_cause;
static bool boot_kept;
static uint8_t remarks; /* told so far */

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

    begin_clock();
    begin_link();
    begin_lines();
    begin_converter();
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
        if (lines_without_interrupt()) {
            say_unwatched(note, lines_without_interrupt());
            return true;
        }
    }
    return false;
}

#endif
