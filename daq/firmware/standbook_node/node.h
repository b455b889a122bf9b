/* What follows from node_config.h: sizes, checks at compile time, and the few types that node and board share. */
#ifndef NODE_H
#define NODE_H

#include <Arduino.h>

#include "node_config.h"
#include "standbook_frame.h"

/* Fixed text stays in flash on an AVR, which would copy it into RAM otherwise. */
#ifdef __AVR__
#include <avr/pgmspace.h>
#define NODE_TEXT(text) PSTR(text)
#define NODE_TEXT_BYTE(at) static_cast<char>(pgm_read_byte(at))
#else
#define NODE_TEXT(text) (text)
#define NODE_TEXT_BYTE(at) (*(at))
#endif

constexpr uint32_t TICK_HZ = 1000000;

enum line_sense : uint8_t { LINE_HIGH_IS_1 = 0, LINE_LOW_IS_1 = 1 };

/* ---- sizes -------------------------------------------------------------------------------------------------- */

constexpr uint8_t type_bytes(sb_type type)
{
    return type == SB_U8 ? 1 : type == SB_I24 ? 3 : type == SB_I32 ? 4 : 2;
}

#define NODE_ONE_EACH(...) +1
#define NODE_BYTES_EACH(name, pin, type, minimum, maximum) +type_bytes(type)

constexpr uint8_t CHANNELS = 0 NODE_CHANNELS(NODE_ONE_EACH);
constexpr uint8_t LINES = 0 NODE_LINES(NODE_ONE_EACH);
constexpr uint8_t STREAMS = NODE_BRIDGE ? 2 : 1;
constexpr uint16_t ROW_BYTES = 0 NODE_CHANNELS(NODE_BYTES_EACH);
constexpr uint8_t BRIDGE_CHANNELS = 0 NODE_BRIDGE_CHANNELS(NODE_ONE_EACH);
constexpr uint16_t BRIDGE_ROW_BYTES = 0 NODE_BRIDGE_CHANNELS(NODE_BYTES_EACH);
constexpr uint32_t INTERVAL_TICKS = TICK_HZ / NODE_RATE;
constexpr uint32_t BRIDGE_INTERVAL_TICKS = TICK_HZ / NODE_BRIDGE_RATE;

constexpr uint32_t HELLO_EVERY = TICK_HZ;     /* each stream */
constexpr uint32_t BEAT_EVERY = TICK_HZ / 10;
/* A converter that gave no row for so long is told to be silent, and again as often: 20 of its rows, at least 1 s. */
constexpr uint32_t BRIDGE_PATIENCE = 20 * BRIDGE_INTERVAL_TICKS > TICK_HZ ? 20 * BRIDGE_INTERVAL_TICKS : TICK_HZ;
constexpr uint32_t NOTE_EVERY = TICK_HZ / 2;  /* at most, of one kind; what happened meanwhile is added up */

/* Longest hello: names as JSON has them, digits of numbers, and what stands around them in standbook_frame.c. */
constexpr size_t quoted(const char *text)
{
    return *text ? (*text == '"' || *text == '\\' ? 2 : 1) + quoted(text + 1) : 2;
}
constexpr bool printable(const char *text)
{
    return *text == 0 || (static_cast<uint8_t>(*text) >= 0x20 && *text != 0x7F && printable(text + 1));
}
constexpr bool layout_name(const char *text)
{
    return *text == 0 || (*text != ',' && *text != ':' && *text != '@' && layout_name(text + 1));
}
constexpr size_t length(const char *text)
{
    return *text ? 1 + length(text + 1) : 0;
}
/* As the program demands of a name: 1 to 64 characters (counted here in bytes), no space at either end. */
constexpr bool is_name(const char *text)
{
    return *text != 0 && *text != ' ' && length(text) <= 64 && text[length(text) - 1] != ' ';
}
constexpr bool file_name(const char *text)
{
    return *text == 0 || (*text != '/' && *text != '\\' && file_name(text + 1));
}
constexpr bool same(const char *one, const char *other)
{
    return *one == *other && (*one == 0 || same(one + 1, other + 1));
}
constexpr int64_t type_minimum(sb_type type)
{
    return type == SB_I16 ? -0x8000L : type == SB_I24 ? -0x800000L : type == SB_I32 ? -0x80000000LL : 0;
}
constexpr int64_t type_maximum(sb_type type)
{
    return type == SB_U8 ? 0xFF : type == SB_I16 ? 0x7FFF : type == SB_U16 ? 0xFFFFL : type == SB_I24 ? 0x7FFFFFL
                                                                                              : 0x7FFFFFFFL;
}
constexpr size_t digits(int64_t number)
{
    return number < 0 ? 1 + digits(-number) : number < 10 ? 1 : 1 + digits(number / 10);
}
constexpr size_t larger(size_t one, size_t other)
{
    return one > other ? one : other;
}

#define NODE_HELLO_EACH_CHANNEL(name, pin, type, minimum, maximum) \
    +37 + quoted(name) + digits(minimum) + digits(maximum)
#define NODE_HELLO_EACH_LINE(name, pin, sense) +19 + quoted(name)
constexpr size_t HELLO_COMMON = 1 + 11 + 10 + quoted(NODE_DEVICE) + 10 + quoted(NODE_SERIAL) + 12 +
    quoted(NODE_FIRMWARE) + 18 + 18 + 13 + 14 + 18 + 7 + 15 + 13 + 11 + 2 + 14 + 5 NODE_LINES(NODE_HELLO_EACH_LINE);
constexpr size_t HELLO_BODY =
    HELLO_COMMON + 8 + quoted(NODE_STREAM) NODE_CHANNELS(NODE_HELLO_EACH_CHANNEL);
constexpr size_t BRIDGE_HELLO_BODY =
    HELLO_COMMON + 8 + quoted("bridge") NODE_BRIDGE_CHANNELS(NODE_HELLO_EACH_CHANNEL);
constexpr size_t SAMPLES_BODY = SB_SAMPLES_HEADER + NODE_BATCH_ROWS * ROW_BYTES;
constexpr size_t BRIDGE_SAMPLES_BODY = SB_SAMPLES_HEADER + NODE_BRIDGE_ROWS * BRIDGE_ROW_BYTES;
constexpr size_t BEAT_BODY = SB_BEAT_HEADER + LINES * SB_BEAT_LINE + STREAMS * SB_BEAT_STREAM;
constexpr size_t NOTE_TEXT = 88;
constexpr size_t NOTE_BODY = SB_NOTE_HEADER + NOTE_TEXT;
constexpr size_t LARGEST_FRAME = SB_WIRE_BYTES(larger(larger(HELLO_BODY, NODE_BRIDGE ? BRIDGE_HELLO_BODY : 0),
                                                        larger(SAMPLES_BODY, larger(BEAT_BODY, NOTE_BODY))));

/* ---- what the link carries, in bytes a second ----------------------------------------------------------------- */

constexpr uint32_t ROWS_LOAD = (uint32_t(NODE_RATE) * SB_WIRE_BYTES(SAMPLES_BODY) + NODE_BATCH_ROWS - 1) /
                               NODE_BATCH_ROWS;
constexpr uint32_t BRIDGE_LOAD = NODE_BRIDGE ? uint32_t(NODE_BRIDGE_RATE) * SB_WIRE_BYTES(BRIDGE_SAMPLES_BODY) /
                                                       NODE_BRIDGE_ROWS + SB_WIRE_BYTES(BRIDGE_HELLO_BODY)
                                             : 0;
constexpr uint32_t LINK_LOAD =
    ROWS_LOAD + BRIDGE_LOAD + SB_WIRE_BYTES(HELLO_BODY) + 10 * SB_WIRE_BYTES(BEAT_BODY);
constexpr uint32_t LINK_BYTES_A_SECOND = NODE_BAUD / 10;

/* ---- checks ------------------------------------------------------------------------------------------------- */

#define NODE_IS_NAMED(name, ...) +same(name, text)
#define NODE_IS_ON_PIN(name, pin, type, minimum, maximum) || (pin) == at
/* How many have that name; the comparison with null only uses the text where there is nothing to compare with. */
constexpr int channels_named(const char *text)
{
    return (text == nullptr) NODE_CHANNELS(NODE_IS_NAMED);
}
constexpr int bridge_channels_named(const char *text)
{
    return (text == nullptr) NODE_BRIDGE_CHANNELS(NODE_IS_NAMED);
}
constexpr int lines_named(const char *text)
{
    return (text == nullptr) NODE_LINES(NODE_IS_NAMED);
}
constexpr bool is_analog(int at)
{
    return at < 0 NODE_CHANNELS(NODE_IS_ON_PIN);
}

#define NODE_CHECK_CHANNEL(name, pin, type, minimum, maximum)                                                        \
    static_assert(is_name(name), "node_config.h: a channel name has 1 to 64 characters and no space at its ends");   \
    static_assert(channels_named(name) <= 1 && bridge_channels_named(name) <= 1,                                     \
                  "node_config.h: two channels of a stream have the same name");                                     \
    static_assert(printable(name) && layout_name(name),                                                              \
                  "node_config.h: a channel name holds no control character, comma, colon or @");                    \
    static_assert(minimum < maximum, "node_config.h: the lowest count of a channel is not below its highest");       \
    static_assert(minimum >= type_minimum(type) && maximum <= type_maximum(type),                                    \
                  "node_config.h: the counts of a channel do not fit its type");
#define NODE_CHECK_LINE(name, pin, sense)                                                                            \
    static_assert(is_name(name), "node_config.h: a line name has 1 to 64 characters and no space at its ends");      \
    static_assert(printable(name), "node_config.h: a line name holds no control character");                         \
    static_assert(lines_named(name) == 1, "node_config.h: two digital lines have the same name");                    \
    static_assert(!is_analog(pin), "node_config.h: a digital line and a channel are on the same pin");
NODE_CHANNELS(NODE_CHECK_CHANNEL)
NODE_BRIDGE_CHANNELS(NODE_CHECK_CHANNEL)
NODE_LINES(NODE_CHECK_LINE)

static_assert(printable(NODE_DEVICE) && printable(NODE_SERIAL) && printable(NODE_FIRMWARE) && printable(NODE_STREAM),
              "node_config.h: device, serial, firmware and stream hold no control character");
static_assert(is_name(NODE_DEVICE) && is_name(NODE_SERIAL) && is_name(NODE_FIRMWARE) && is_name(NODE_STREAM),
              "node_config.h: device, serial, firmware and stream have 1 to 64 characters and no space at their ends");
static_assert(file_name(NODE_STREAM), "node_config.h: NODE_STREAM names a file, so it holds no / and no \\");
static_assert(!NODE_BRIDGE || !same(NODE_STREAM, "bridge"),
              "node_config.h: NODE_STREAM is bridge, which is the name of the bridge converter's stream");
static_assert(CHANNELS > 0, "node_config.h: NODE_CHANNELS is empty");
static_assert(LINES <= SB_MAX_LINES, "node_config.h: at most 8 digital lines");
static_assert(NODE_RATE > 0 && TICK_HZ % NODE_RATE == 0, "node_config.h: NODE_RATE must divide 1000000");
static_assert(NODE_BRIDGE_RATE > 0 && TICK_HZ % NODE_BRIDGE_RATE == 0,
              "node_config.h: NODE_BRIDGE_RATE must divide 1000000");
static_assert(NODE_BATCH_ROWS >= 1 && NODE_BATCH_ROWS <= 255, "node_config.h: NODE_BATCH_ROWS is 1 to 255");
static_assert(NODE_BRIDGE_ROWS >= 1 && NODE_BRIDGE_ROWS <= 255, "node_config.h: NODE_BRIDGE_ROWS is 1 to 255");
static_assert(NODE_BATCHES >= 2 && NODE_BATCHES <= 100, "node_config.h: NODE_BATCHES is 2 to 100");
static_assert(uint32_t(NODE_BATCH_ROWS) * ROW_BYTES + SB_SAMPLES_HEADER <= SB_MAX_BODY,
              "node_config.h: so many rows do not fit a frame, lower NODE_BATCH_ROWS");
static_assert(uint32_t(NODE_BRIDGE_ROWS) * BRIDGE_ROW_BYTES + SB_SAMPLES_HEADER <= SB_MAX_BODY,
              "node_config.h: so many rows do not fit a frame, lower NODE_BRIDGE_ROWS");
static_assert(HELLO_BODY <= SB_MAX_BODY && BRIDGE_HELLO_BODY <= SB_MAX_BODY,
              "node_config.h: hello does not fit a frame, shorten names or leave out channels");
/* While a hello goes out, what it leaves behind it takes the rows that come meanwhile. */
static_assert(NODE_LINK_BYTES >= LARGEST_FRAME + SB_WIRE_BYTES(SAMPLES_BODY) && NODE_LINK_BYTES < 65536,
              "node_config.h: hello and a frame of rows do not fit NODE_LINK_BYTES, lower NODE_BATCH_ROWS or raise it");
/* Nine tenths: edges, notes and the other end's clock want some of it. */
static_assert(NODE_ALLOW_OVERRUN || LINK_LOAD <= LINK_BYTES_A_SECOND / 10 * 9,
              "node_config.h: the link is too slow, raise NODE_BAUD, or lower NODE_RATE or the number of channels");

/* ---- a sentence for the record ------------------------------------------------------------------------------ */

struct node_note {
    uint32_t ticks = 0;
    uint8_t severity = SB_NOTE_INFORMATION;
    uint8_t used = 0;
    char text[NOTE_TEXT + 1];

    node_note() { text[0] = 0; }

    /* Add NODE_TEXT(...) to the sentence; what does not fit is cut. */
    void say(const char *fixed)
    {
        for (char byte; (byte = NODE_TEXT_BYTE(fixed)) != 0; fixed++)
            put(byte);
    }

    void say(uint32_t number)
    {
        if (number >= 10)
            say(number / 10);
        put(static_cast<char>('0' + number % 10));
    }

private:
    void put(char byte)
    {
        if (used < NOTE_TEXT) {
            text[used++] = byte;
            text[used] = 0;
        }
    }
};

void node_begin(void); /* from setup() */
void node_run(void);   /* from loop(), as often as can be */

#endif
