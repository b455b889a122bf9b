/* How often the board has started, kept in 16 places of 8 bytes: the number and its complement, so that a place that
 * was half written when the power went, or whose cells are worn, is known for what it is. Each start writes the next
 * place; a cell is good for 100,000 writes by its data sheet, so the counter for more than a million starts.
 *
 * `read` and `write` are a cell of the board's EEPROM.
 */
#ifndef BOOT_COUNTER_H
#define BOOT_COUNTER_H

#include "node.h"

constexpr uint8_t BOOT_PLACES = 16;
constexpr uint8_t BOOT_CELLS = 8; /* of a place */

typedef uint8_t (*boot_read)(uint16_t cell);
typedef void (*boot_write)(uint16_t cell, uint8_t value);

static inline uint16_t boot_cell(uint8_t place)
{
    return static_cast<uint16_t>(place * BOOT_CELLS);
}

/* The number in a place, 0 when it holds none: empty cells read 0xFF, and that is no complement of itself. */
static inline uint32_t boot_at(uint8_t place, boot_read read)
{
    uint32_t number = 0, complement = 0;
    uint16_t cell = boot_cell(place);
    for (uint8_t shift = 0; shift < 32; shift = static_cast<uint8_t>(shift + 8), cell++) {
        number |= static_cast<uint32_t>(read(cell)) << shift;
        complement |= static_cast<uint32_t>(read(static_cast<uint16_t>(cell + 4))) << shift;
    }
    return number == static_cast<uint32_t>(~complement) ? number : 0;
}

/* Something that is no number was written there, or a number was and is no longer whole. */
static inline bool boot_spoilt(uint8_t place, boot_read read)
{
    uint16_t cell = boot_cell(place);
    if (boot_at(place, read))
        return false;
    for (uint8_t byte = 0; byte < BOOT_CELLS; byte++)
        if (read(static_cast<uint16_t>(cell + byte)) != 0xFF)
            return true;
    return false;
}

static inline uint8_t boot_after(uint8_t place)
{
    return static_cast<uint8_t>((place + 1) % BOOT_PLACES);
}

/* Count this start. Gives its number, and in `kept` whether it could be written: if not, the next start will have the
 * same number. Spoilt places behind the last number may have held later ones, so as many numbers are left out. A place
 * that does not take the new one is passed over for the next. */
static inline uint32_t boot_count(boot_read read, boot_write write, bool *kept)
{
    uint32_t number = 0;
    uint8_t place = BOOT_PLACES - 1;
    for (uint8_t at = 0; at < BOOT_PLACES; at++) {
        uint32_t found = boot_at(at, read);
        if (found > number) {
            number = found;
            place = at;
        }
    }
    for (uint8_t next = boot_after(place); next != place && boot_spoilt(next, read); next = boot_after(next))
        number++;
    number = number + 1 ? number + 1 : 1;
    *kept = false;
    for (uint8_t tried = 0; tried < BOOT_PLACES && !*kept; tried++) {
        place = boot_after(place);
        uint16_t cell = boot_cell(place);
        for (uint8_t shift = 0; shift < 32; shift = static_cast<uint8_t>(shift + 8), cell++) {
            write(cell, static_cast<uint8_t>(number >> shift));
            write(static_cast<uint16_t>(cell + 4), static_cast<uint8_t>(~number >> shift));
        }
        *kept = boot_at(place, read) == number;
    }
    return number;
}

#endif
