#include "Arduino.h"
#include "EEPROM.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <sys/ioctl.h>
#include <time.h>
#include <unistd.h>

#include <deque>
#include <vector>

namespace {

constexpr uint64_t CALL_US = 1;   /* a call of something that only looks */
constexpr uint64_t READ_US = 10;  /* a conversion */
constexpr uint64_t LOOP_US = 3;
constexpr size_t TX_ROOM = 64;

struct Change {
    int pin;
    uint64_t at;
    int level;
};
struct Span {
    uint64_t from = UINT64_MAX, length = 0;
    bool holds(uint64_t at) const { return at >= from && at - from < length; }
};

uint64_t now_us; /* since the start */
uint32_t clock_start;
uint64_t end_us = UINT64_MAX;
double speed;
timespec real_start;
int port = -1;
bool masked;
std::vector<Change> changes;
size_t changed;
Span stall, late;
int levels[32];
void (*handlers[32])(void);
int modes[32];
std::deque<uint8_t> leaving;
uint64_t byte_ns, next_byte_ns;
uint32_t reads;
std::deque<void (*)(void)> held; /* interrupts that came while they were masked */

[[noreturn]] void fail(const char *why)
{
    fprintf(stderr, "board on this computer: %s: %s\n", why, strerror(errno));
    _exit(3);
}

void send(const uint8_t *bytes, size_t length)
{
    while (length > 0) {
        ssize_t done = ::write(port, bytes, length);
        if (done < 0 && (errno == EIO || errno == EPIPE))
            _exit(0); /* nobody listens any more */
        if (done < 0 && errno != EINTR)
            fail("cannot send");
        if (done > 0) {
            bytes += done;
            length -= static_cast<size_t>(done);
        }
    }
}

/* Let leave what the speed allows up to now; in one write, since a byte each would cost more than all the rest. */
void let_leave()
{
    uint8_t out[TX_ROOM];
    size_t count = 0;
    uint64_t now_ns = now_us * 1000;
    if (stall.holds(now_us)) {
        next_byte_ns = now_ns + byte_ns;
        return;
    }
    while (!leaving.empty() && next_byte_ns <= now_ns) {
        out[count++] = leaving.front();
        leaving.pop_front();
        next_byte_ns += byte_ns;
    }
    if (leaving.empty() && next_byte_ns < now_ns)
        next_byte_ns = now_ns;
    send(out, count);
}

void keep_from_running_ahead()
{
    timespec until = real_start;
    if (speed <= 0.0)
        return;
    double seconds = static_cast<double>(now_us) * 1e-6 / speed;
    until.tv_sec += static_cast<time_t>(seconds);
    until.tv_nsec += static_cast<long>((seconds - floor(seconds)) * 1e9);
    if (until.tv_nsec >= 1000000000L) {
        until.tv_nsec -= 1000000000L;
        until.tv_sec++;
    }
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, nullptr) == EINTR) {
    }
}

void take(const Change &change)
{
    int before = levels[change.pin];
    levels[change.pin] = change.level;
    void (*handler)(void) = handlers[change.pin];
    int mode = modes[change.pin];
    if (handler == nullptr || before == change.level || (mode == RISING && change.level == 0) ||
        (mode == FALLING && change.level == 1))
        return;
    if (masked)
        held.push_back(handler);
    else
        handler();
}

/* Pass time; a change of a pin interrupts at its own instant. */
void pass(uint64_t microseconds)
{
    static bool within; /* an interrupt's own calls pass time too, but are not interrupted */
    uint64_t until = now_us + microseconds;
    while (!within && changed < changes.size() && changes[changed].at <= until) {
        if (changes[changed].at > now_us)
            now_us = changes[changed].at;
        within = true;
        take(changes[changed++]);
        within = false;
    }
    if (until > now_us) {
        uint64_t before = now_us;
        now_us = until;
        if (before / 1000 != now_us / 1000)
            keep_from_running_ahead();
    }
    let_leave();
    if (now_us >= end_us)
        _exit(0);
}

const char *setting(const char *name, const char *otherwise)
{
    const char *found = getenv(name);
    return found != nullptr ? found : otherwise;
}

Span span(const char *name)
{
    Span found;
    unsigned long long from, length;
    if (sscanf(setting(name, ""), "%llu:%llu", &from, &length) == 2) {
        found.from = from;
        found.length = length;
    }
    return found;
}

void read_settings()
{
    port = atoi(setting("SHIM_PORT", "1"));
    speed = atof(setting("SHIM_SPEED", "0"));
    clock_start = static_cast<uint32_t>(strtoul(setting("SHIM_CLOCK", "0"), nullptr, 10));
    if (getenv("SHIM_SECONDS") != nullptr)
        end_us = static_cast<uint64_t>(atof(getenv("SHIM_SECONDS")) * 1e6);
    stall = span("SHIM_STALL");
    late = span("SHIM_LATE");
    for (const char *at = setting("SHIM_LINES", ""); *at != '\0'; at += strcspn(at, ","), at += *at == ',') {
        int pin, level;
        unsigned long long when;
        if (sscanf(at, "%d:%llu:%d", &pin, &when, &level) != 3 || pin < 0 || pin >= 32)
            fail("SHIM_LINES is not pin:us:level,...");
        changes.push_back({pin, when, level});
    }
}

/* Bytes sent before a reader opens a pseudo-terminal are lost, so the board gets its power when it is opened. */
void wait_for_a_reader()
{
    pollfd look = {port, POLLOUT, 0};
    while (isatty(port) && poll(&look, 1, 1000) >= 0 && (look.revents & POLLHUP) != 0)
        usleep(1000);
}

FILE *eeprom(const char *mode)
{
    const char *path = getenv("SHIM_EEPROM");
    return path != nullptr ? fopen(path, mode) : nullptr;
}

} // namespace

HardwareSerial Serial;
EEPROMClass EEPROM;

uint32_t micros(void)
{
    pass(CALL_US);
    return clock_start + static_cast<uint32_t>(now_us);
}

uint32_t millis(void)
{
    pass(CALL_US);
    return static_cast<uint32_t>((clock_start + now_us) / 1000);
}

void delayMicroseconds(unsigned int microseconds)
{
    pass(microseconds);
}

void delay(uint32_t milliseconds)
{
    while (milliseconds-- > 0)
        pass(1000);
}

void yield(void)
{
    pass(CALL_US);
}

int analogRead(uint8_t pin)
{
    pass(READ_US);
    if (pin < A0)
        pin = static_cast<uint8_t>(pin + A0);
    return static_cast<int>((pin == A0 ? reads++ : now_us / 1000 + 100u * (pin - A0)) % 1024);
}

void analogReadResolution(int) {}

void pinMode(uint8_t pin, uint8_t mode)
{
    if (mode == OUTPUT)
        fail("the sketch drives a pin");
    levels[pin % 32] = mode == INPUT_PULLUP ? HIGH : LOW;
}

int digitalRead(uint8_t pin)
{
    pass(CALL_US);
    return levels[pin % 32];
}

int digitalPinToInterrupt(uint8_t pin)
{
    return pin;
}

void attachInterrupt(int number, void (*handler)(void), int mode)
{
    handlers[number % 32] = handler;
    modes[number % 32] = mode;
}

void noInterrupts(void)
{
    masked = true;
}

void interrupts(void)
{
    masked = false;
    while (!held.empty()) {
        void (*handler)(void) = held.front();
        held.pop_front();
        handler();
    }
}

void HardwareSerial::begin(unsigned long baud)
{
    byte_ns = 10ull * 1000000000ull / baud;
    next_byte_ns = now_us * 1000;
}

int HardwareSerial::available()
{
    int count = 0;
    pass(CALL_US);
    return isatty(port) && ioctl(port, FIONREAD, &count) == 0 ? count : 0;
}

int HardwareSerial::read()
{
    uint8_t one;
    return available() > 0 && ::read(port, &one, 1) == 1 ? one : -1;
}

int HardwareSerial::availableForWrite()
{
    pass(CALL_US);
    return static_cast<int>(TX_ROOM - leaving.size());
}

size_t HardwareSerial::write(uint8_t one)
{
    if (byte_ns == 0)
        fail("written before begin()");
    while (leaving.size() >= TX_ROOM)
        pass(CALL_US);
    if (leaving.empty() && next_byte_ns < now_us * 1000 + byte_ns)
        next_byte_ns = now_us * 1000 + byte_ns;
    leaving.push_back(one);
    return 1;
}

size_t HardwareSerial::write(const uint8_t *bytes, size_t length)
{
    for (size_t index = 0; index < length; index++)
        write(bytes[index]);
    return length;
}

size_t HardwareSerial::print(unsigned long number, int base)
{
    char text[33];
    snprintf(text, sizeof text, base == 16 ? "%lX" : "%lu", number);
    return print(text);
}

size_t HardwareSerial::print(long number, int base)
{
    if (number >= 0 || base != 10)
        return print(static_cast<unsigned long>(number), base);
    return print('-') + print(0ul - static_cast<unsigned long>(number), base);
}

void HardwareSerial::flush()
{
    while (!leaving.empty())
        pass(CALL_US);
}

uint8_t EEPROMClass::read(int address)
{
    uint8_t value = 0xFF; /* as an erased cell reads */
    FILE *file = eeprom("rb");
    if (file != nullptr) {
        if (fseek(file, address, SEEK_SET) != 0 || fread(&value, 1, 1, file) != 1)
            value = 0xFF;
        fclose(file);
    }
    return value;
}

void EEPROMClass::write(int address, uint8_t value)
{
    uint8_t cells[512];
    FILE *file;
    for (int cell = 0; cell < 512; cell++)
        cells[cell] = read(cell);
    cells[address % 512] = value;
    if ((file = eeprom("wb")) != nullptr) {
        if (fwrite(cells, 1, sizeof cells, file) != sizeof cells)
            fail("cannot keep the EEPROM");
        fclose(file);
    }
}

int main(void)
{
    read_settings();
    wait_for_a_reader();
    clock_gettime(CLOCK_MONOTONIC, &real_start);
    setup();
    for (;;) {
        loop();
        pass(LOOP_US);
        if (late.holds(now_us))
            pass(late.from + late.length - now_us);
    }
}
