/* A board that prints numbers: one row a line, to be read by eye or by the program. Any Arduino board.
 *
 *     boot,row,us,adc0,adc1*hh
 *
 * boot: number of this start; row: counts rows, so a lost line shows; us: microseconds of the board's clock when the
 * first input was read, which goes round at 4294967296; then counts of the converter; then the XOR of all bytes before
 * the star, two hexadecimal digits. In stand.toml:
 *
 *     [[device]]
 *     name = "lines-a"
 *     baud = 115200
 *     format = "text lines"
 *     [device.text_lines]
 *     columns = ["boot", "row", "us", "adc0", "adc1"]
 *     clock = "us"
 *     clock_hz = 1000000
 *     clock_modulus = 4294967296
 *     counter = "row"
 *     boot = "boot"
 *
 * It is the simpler way and the poorer one: a row costs five times the bytes that it does in a frame, rows are as even
 * as loop() is, edges of a digital line are not told, so it cannot time T-0. Where that matters use standbook_node.
 */
#include <EEPROM.h>

const unsigned long BAUD = 115200;
const uint32_t INTERVAL = 10000; // [us] between rows: 100 a second. A line of 35 bytes takes 3 ms at 115200.
const uint8_t INPUTS[] = {A0, A1};

// The first of the two cells that the boot number lies in; an AVR's are good for 100,000 starts. On an ESP or RP2040
// write EEPROM.begin(8) in setup() before it is read and EEPROM.commit() after it is written.
const int BOOT_CELL = 0;

char line[32 + 6 * sizeof INPUTS]; // boot, row and us of 5, 10 and 10 digits, counts of 5, commas, *hh and the end
uint8_t used;
uint16_t boot;
uint32_t row, due;

void put(char byte)
{
    if (used < sizeof line)
        line[used++] = byte;
}

void putNumber(uint32_t value)
{
    if (value >= 10)
        putNumber(value / 10);
    put((char)('0' + value % 10));
}

void setup()
{
    Serial.begin(BAUD);
    boot = (uint16_t)(EEPROM.read(BOOT_CELL) | (uint16_t)EEPROM.read(BOOT_CELL + 1) << 8);
    boot++; // a fresh chip reads 65535, so it begins at 0
    EEPROM.write(BOOT_CELL, (uint8_t)boot);
    EEPROM.write(BOOT_CELL + 1, (uint8_t)(boot >> 8));
    Serial.print("\n# boot,row,us,adc0,adc1\n"); // the line end first: a reset may have cut a line in two
    due = micros();
}

void loop()
{
    if ((int32_t)(micros() - due) < 0)
        return;
    uint32_t late = micros() - due;
    if (late >= INTERVAL) { // the time of one or more rows went by: their numbers are left out, so that it shows
        row += late / INTERVAL;
        due += late / INTERVAL * INTERVAL;
    }
    due += INTERVAL;
    used = 0;
    putNumber(boot);
    put(',');
    putNumber(row++);
    put(',');
    putNumber(micros());
    for (uint8_t input : INPUTS) {
        put(',');
        putNumber((uint32_t)analogRead(input));
    }
    uint8_t sum = 0;
    for (uint8_t at = 0; at < used; at++)
        sum = (uint8_t)(sum ^ line[at]);
    put('*');
    put("0123456789ABCDEF"[sum >> 4]);
    put("0123456789ABCDEF"[sum & 15]);
    put('\n');
    Serial.write((const uint8_t *)line, used); // waits when its buffer is full, and then a row is late or left out
}
