/* As much of the plain Arduino API as the firmware uses, on this computer.
 *
 * Time is made up: it passes by fixed amounts when the sketch calls something, so that a run is the same to the byte
 * however busy the computer is; it is only kept from running ahead of real time. The environment says what happens:
 *
 *   SHIM_PORT      number of an open descriptor that the serial port is, a pseudo-terminal's master or a pipe
 *   SHIM_SECONDS   when the board loses power
 *   SHIM_SPEED     made-up seconds in a real one at most; 0, the default, holds nothing back
 *   SHIM_CLOCK     what micros() says at the start
 *   SHIM_LINES     "pin:us:level,..." levels that digital pins take, since the start
 *   SHIM_STALL     "us:us" when the link takes nothing: from, for how long
 *   SHIM_LATE      "us:us" when loop() is held up by something else: from, for how long
 *   SHIM_EEPROM    a file that is the EEPROM
 *
 * analogRead() of A0 gives how often it was read before, of the others the milliseconds and 100 for each pin, all
 * modulo 1024, so that a row tells when it was taken and a missing one shows.
 */
#ifndef SHIM_ARDUINO_H
#define SHIM_ARDUINO_H

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define ARDUINO 10819
#define HIGH 1
#define LOW 0
#define INPUT 0
#define OUTPUT 1
#define INPUT_PULLUP 2
#define CHANGE 1
#define FALLING 2
#define RISING 3
#define LED_BUILTIN 13
#define F(text) (text)

enum { A0 = 14, A1, A2, A3, A4, A5, A6, A7 };
typedef uint8_t byte;

uint32_t micros(void);
uint32_t millis(void);
void delay(uint32_t milliseconds);
void delayMicroseconds(unsigned int microseconds);
void yield(void);

int analogRead(uint8_t pin);
void analogReadResolution(int bits);
void pinMode(uint8_t pin, uint8_t mode);
int digitalRead(uint8_t pin);
int digitalPinToInterrupt(uint8_t pin);
void attachInterrupt(int number, void (*handler)(void), int mode);
void noInterrupts(void);
void interrupts(void);

/* A UART with a buffer of 64 bytes, as cores have. Bytes leave it at its speed. */
class HardwareSerial {
public:
    void begin(unsigned long baud);
    explicit operator bool() const { return true; }
    int available();
    int read();
    int availableForWrite();
    size_t write(uint8_t one);
    size_t write(const uint8_t *bytes, size_t length);
    size_t write(const char *text) { return write(reinterpret_cast<const uint8_t *>(text), strlen(text)); }
    size_t print(const char *text) { return write(text); }
    size_t print(char one) { return write(static_cast<uint8_t>(one)); }
    size_t print(unsigned long number, int base = 10);
    size_t print(long number, int base = 10);
    size_t print(unsigned int number, int base = 10) { return print(static_cast<unsigned long>(number), base); }
    size_t print(int number, int base = 10) { return print(static_cast<long>(number), base); }
    size_t print(unsigned char number, int base = 10) { return print(static_cast<unsigned long>(number), base); }
    size_t println() { return print("\r\n"); }
    template <typename Printed> size_t println(Printed printed)
    {
        size_t length = print(printed);
        return length + println();
    }
    void flush();
};
extern HardwareSerial Serial;

void setup(void);
void loop(void);

#endif
