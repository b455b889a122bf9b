/* The one file to edit. Everything else in this folder can stay as it is.
 *
 * What is impossible (rows faster than the converter, more bytes than the link carries, more memory than there is)
 * stops the compiler with a sentence that says which number to change. Whatever is changed here, change stand.toml
 * too: device and serial, baud, and the wire name and volt_per_count of each input.
 *
 * Numbers with #ifndef around them can also be given to the compiler, as in -DNODE_BAUD=115200.
 */
#ifndef NODE_CONFIG_H
#define NODE_CONFIG_H

/* ---- who this board is -------------------------------------------------------------------------------------- */

/* As in stand.toml: [[device]] name and serial. Two boards on one stand need two names. Write the serial on the box. */
#ifndef NODE_DEVICE
#define NODE_DEVICE "cradle-a"
#endif
#ifndef NODE_SERIAL
#define NODE_SERIAL "0007"
#endif

/* Raise it when you change anything in this folder: every recording says which firmware made it. */
#ifndef NODE_FIRMWARE
#define NODE_FIRMWARE "1.0.0"
#endif

/* ---- the link ----------------------------------------------------------------------------------------------- */

/* Bits a second, 8 data bits, no parity, one stop bit: a tenth of it is bytes a second. A 16 MHz board makes 250000,
 * 500000 and 1000000 exactly; its 115200 is 2.1 % fast, which most USB chips take and a long noisy cable may not.
 * The default setting sends about 10,000 bytes a second: a fifth of 500000, nine tenths of 115200. */
#ifndef NODE_BAUD
#define NODE_BAUD 500000
#endif

/* ---- rows --------------------------------------------------------------------------------------------------- */

/* Rows a second; all channels are read once for each row. It must divide 1,000,000, so that a row is a whole number
 * of microseconds: 50, 100, 125, 200, 250, 500, 1000, 1250, 2000 are such. An ATmega328P takes from 32 up to about
 * 7,000 divided by the number of channels (at the default converter clock). */
#ifndef NODE_RATE
#define NODE_RATE 1000
#endif

/* Rows in a frame. Each frame costs 21 bytes besides its rows; a row waits on the board until its frame is full, here
 * 16 ms. At 50 rows a second, 2 or 4 keep the live screen quick. On an ATmega328P take 8 for more than four
 * channels: memory is short, and hello is longer too. */
#ifndef NODE_BATCH_ROWS
#define NODE_BATCH_ROWS 16
#endif

/* The name of the stream, as it will stand in file names. */
#ifndef NODE_STREAM
#define NODE_STREAM "fast"
#endif

/* ---- analog channels ---------------------------------------------------------------------------------------- */

/* One line a channel: the name on the wire (stand.toml: wire = "adc0"), the pin, how a count is packed, and the lowest
 * and highest count the converter can give; a count that stands there is marked as clipped, so do not widen them.
 * Every line but the last ends in a backslash, with nothing after it.
 *
 * On an AVR: A0 to A7 (A6 and A7 exist on small boards only), type SB_U16 or SB_I16, counts 0 to 1023, which is 0 to
 * the reference below. The converter takes the channels in turn: on a 16 MHz board with the clock below, each is
 * sampled 112 us after the one before it. The time of a row is that of its first channel; hello tells the skew as
 * "skew_ticks". Put the channel whose timing matters most first. A source of more than 10 kilo-ohm does not settle
 * in time and takes on some of its neighbour's value: buffer it, or put 100 nF from the pin to ground.
 *
 * On another board: any analog pin; set the counts to what its analogRead() gives (0 to 1023, or 0 to 4095 with
 * NODE_READ_BITS 12). */
#ifndef NODE_CHANNELS
#define NODE_CHANNELS(CHANNEL)               \
    CHANNEL("adc0", A0, SB_U16, 0, 1023)     \
    CHANNEL("adc1", A1, SB_U16, 0, 1023)     \
    CHANNEL("adc2", A2, SB_U16, 0, 1023)     \
    CHANNEL("adc3", A3, SB_U16, 0, 1023)
#endif

/* AVR: clock of the converter is that of the processor divided by this. 128 gives 125 kHz on a 16 MHz board, where the
 * data sheet promises all ten bits (50 to 200 kHz). 64 and 32 are faster and lose about half a bit and a bit. */
#ifndef NODE_ADC_DIVIDER
#define NODE_ADC_DIVIDER 128
#endif

/* AVR: 0 measures against the board's own 5 V supply: right for ratiometric transducers fed from the same 5 V. 1
 * measures against the voltage on pin AREF. With 1 on that pin and 0 here the chip shorts the two together: do not. */
#ifndef NODE_ADC_EXTERNAL_REFERENCE
#define NODE_ADC_EXTERNAL_REFERENCE 0
#endif

/* Not an AVR: bits that analogReadResolution() shall give, 0 where the board has no such call. */
#ifndef NODE_READ_BITS
#define NODE_READ_BITS 0
#endif

/* ---- digital lines ------------------------------------------------------------------------------------------ */

/* One line each, at most 8: name, pin, and which way round. Each change is told with its time. The pins have their
 * pull-up on, so an open pin reads high.
 *   LINE_LOW_IS_1   a contact or optocoupler pulls the pin to ground while the thing is on; open means 0
 *   LINE_HIGH_IS_1  the pin itself is high while the thing is on
 * An ATmega328P watches pins 2 to 13 and A0 to A5, an ATmega2560 pins 10 to 13, 50 to 53 and A8 to A15.
 * A line that T-0 depends on wants an optocoupler: never a wire of the firing circuit on a board's pin. A pulse
 * shorter than 20 us may be missed. Contacts bounce; every bounce is told, and the first edge is the one that counts.
 * For none: #define NODE_LINES(LINE) and nothing behind it. */
#ifndef NODE_LINES
#define NODE_LINES(LINE)                     \
    LINE("fire", 2, LINE_LOW_IS_1)
#endif

/* ---- external bridge converter ------------------------------------------------------------------------------ */

/* 1: a second stream "bridge" comes from the converter that bridge_adc.cpp reads. That file has to be written for
 * your converter first; until then the compiler says so. */
#ifndef NODE_BRIDGE
#define NODE_BRIDGE 0
#endif
/* Its rows a second as its data sheet says (must divide 1,000,000), rows in a frame, and its channels as above; the
 * pin column is not used. */
#ifndef NODE_BRIDGE_RATE
#define NODE_BRIDGE_RATE 80
#endif
#ifndef NODE_BRIDGE_ROWS
#define NODE_BRIDGE_ROWS 4
#endif
#ifndef NODE_BRIDGE_CHANNELS
#define NODE_BRIDGE_CHANNELS(CHANNEL)        \
    CHANNEL("bridge0", 0, SB_I24, -8388608, 8388607)
#endif

/* ---- the number of this start ------------------------------------------------------------------------------- */

/* How the board remembers how often it has started. An AVR always does it in its EEPROM. Elsewhere:
 *   BOOT_EEPROM   the core's EEPROM library keeps what is written at once (Teensy and the like)
 *   BOOT_COMMIT   it needs begin() and commit() (ESP8266, ESP32, RP2040)
 *   BOOT_NOISE    there is none: a number made of converter noise and microseconds at each start. One start in 256 has
 *                 the low byte of the one before, and a quiet pin may give the same number every time. The program
 *                 then still sees a restart, since the rows count from zero again; but not one that comes before the
 *                 board has sent as many rows as it had before. */
#define BOOT_EEPROM 1
#define BOOT_COMMIT 2
#define BOOT_NOISE 3
#ifndef NODE_BOOT
#if defined(ESP8266) || defined(ESP32) || defined(ARDUINO_ARCH_RP2040)
#define NODE_BOOT BOOT_COMMIT
#elif defined(__AVR__) || defined(CORE_TEENSY)
#define NODE_BOOT BOOT_EEPROM
#else
#define NODE_BOOT BOOT_NOISE
#endif
#endif

/* ---- memory ------------------------------------------------------------------------------------------------- */

/* Bytes that may wait for the link, and frames of rows that may wait for room there. An ATmega328P has 2,048 bytes:
 *     896  waiting for the link (below); a hello of about 430 bytes must fit with frames beside it
 *     435  3 frames of 16 rows of 8 bytes, and what manages them
 *     330  names, hello's table, edges that wait, counters
 *     390  left for the stack, of which up to 240 were used in an emulator
 * More is only of use where the reader of the link pauses, and a UART has no reader that it could see pausing. */
#ifndef NODE_LINK_BYTES
#if defined(__AVR__) && !defined(__AVR_ATmega2560__)
#define NODE_LINK_BYTES (NODE_BRIDGE ? 768 : 896)
#else
#define NODE_LINK_BYTES 4096
#endif
#endif
#ifndef NODE_BATCHES
#define NODE_BATCHES 3
#endif

/* 1 lets a configuration through that the link or the processor cannot keep up with. Rows are then skipped and told
 * of. For tests of just that. */
#ifndef NODE_ALLOW_OVERRUN
#define NODE_ALLOW_OVERRUN 0
#endif

#endif
