#include "bridge_adc.h"

#if NODE_BRIDGE

#error "bridge_adc.cpp: write the three functions for your converter, then delete this line (see the example in it)"

/* WRITE YOUR CONVERTER HERE.
 *
 * An example that compiles as it stands, for the common kind of 24-bit load cell converter with two wires: its data pin
 * goes low when a conversion is ready; each clock pulse then brings one bit, highest first, and a 25th pulse chooses
 * input and gain of the next conversion. Compare it with the data sheet of yours before you believe it: which edge
 * brings the bit, how long a pulse may last (here below 50 us, or the chip goes to sleep: hence interrupts off for each
 * pulse), how many pulses. It was run in an emulator, not with a chip.
 *
 *     constexpr uint8_t DATA_PIN = 3, CLOCK_PIN = 4;
 *
 *     void bridge_begin(void)
 *     {
 *         pinMode(DATA_PIN, INPUT_PULLUP); // a broken wire is high then, which is never ready
 *         pinMode(CLOCK_PIN, OUTPUT);
 *         digitalWrite(CLOCK_PIN, LOW);
 *     }
 *
 *     bool bridge_is_ready(void)
 *     {
 *         return digitalRead(DATA_PIN) == LOW;
 *     }
 *
 *     bridge_result bridge_take(int32_t *counts)
 *     {
 *         uint32_t bits = 0;
 *         for (uint8_t pulse = 0; pulse < 25; pulse++) {
 *             noInterrupts();
 *             digitalWrite(CLOCK_PIN, HIGH);
 *             delayMicroseconds(1);
 *             if (pulse < 24)
 *                 bits = bits << 1 | (digitalRead(DATA_PIN) == HIGH ? 1 : 0);
 *             digitalWrite(CLOCK_PIN, LOW);
 *             interrupts();
 *             delayMicroseconds(5); // here the rows and the link get their turn
 *         }
 *         // With all its bits out the chip lets its data line go high. Low: no chip, or a wire to ground.
 *         if (digitalRead(DATA_PIN) == LOW)
 *             return BRIDGE_NO_ANSWER;
 *         // Two's complement of 24 bits: repeat the sign in the upper byte.
 *         counts[0] = static_cast<int32_t>(bits & 0x800000UL ? bits | 0xFF000000UL : bits);
 *         return BRIDGE_ROW;
 *     }
 *
 * Wiring: the bridge's excitation from the converter's own supply, so that the ratio holds; its four wires twisted and
 * screened, the screen grounded at the board only; converter within centimetres of the board, load cell cable long
 * rather than the digital wires. In stand.toml the input is device "cradle-a", stream "bridge", wire "bridge0".
 *
 * Time: a row carries the instant at which it was seen to be ready, on an AVR one row of the fast stream late at most
 * (1 ms at 1000 rows a second). The filter inside such a converter delays what it shows by some conversions more: its
 * data sheet says how many, and no software can see it. At 80 conversions a second that is tens of milliseconds;
 * a peak of thrust shorter than that is not in the record. For thrust that must be fast, use an amplifier and an
 * analog pin.
 */

#endif
