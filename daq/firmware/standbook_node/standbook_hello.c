/* Hello: what a device says of itself, as JSON, and the number of its layout. Text goes into the frame piece by piece,
 * so no buffer holds it. */
#include "standbook_frame.h"

#include <string.h>

#include "standbook_flash.h"

static const char type_u8[] FLASH = "u8";
static const char type_i16[] FLASH = "i16";
static const char type_u16[] FLASH = "u16";
static const char type_i24[] FLASH = "i24";
static const char type_i32[] FLASH = "i32";
static const char key_format[] FLASH = "{\"format\":";
static const char key_device[] FLASH = ",\"device\":";
static const char key_serial[] FLASH = ",\"serial\":";
static const char key_firmware[] FLASH = ",\"firmware\":";
static const char key_boot[] FLASH = ",\"boot\":";
static const char key_tick_hz[] FLASH = ",\"tick_hz\":";
static const char key_stream[] FLASH = ",\"stream\":";
static const char key_streams[] FLASH = ",\"streams\":";
static const char key_name[] FLASH = ",\"name\":";
static const char key_interval[] FLASH = ",\"interval_ticks\":";
static const char key_layout[] FLASH = ",\"layout\":";
static const char key_channels[] FLASH = ",\"channels\":[";
static const char key_channel_name[] FLASH = "{\"name\":";
static const char key_type[] FLASH = ",\"type\":\"";
static const char key_minimum[] FLASH = "\",\"min\":";
static const char key_maximum[] FLASH = ",\"max\":";
static const char key_lines[] FLASH = "],\"lines\":[";
static const char key_line[] FLASH = "{\"line\":";
static const char key_end[] FLASH = "]";
static const char key_skew[] FLASH = ",\"skew_ticks\":";
enum { LONGEST_FIXED = 20 }; /* bytes of a fixed text, its final zero included */

static const uint32_t power_of_ten[10] FLASH = {
    1000000000u, 100000000u, 10000000u, 1000000u, 100000u, 10000u, 1000u, 100u, 10u, 1u,
};

/* Where text goes: into a frame, or through a CRC only. */
typedef struct {
    sb_frame *frame;
    uint32_t crc;
} sink;

static void say_bytes(sink *to, const void *bytes, size_t length)
{
    if (to->frame)
        sb_put_bytes(to->frame, bytes, length);
    else
        to->crc = sb_crc32(to->crc, bytes, length);
}

static void say_byte(sink *to, char byte)
{
    say_bytes(to, &byte, 1);
}

static void say_fixed(sink *to, const char *flash)
{
    char text[LONGEST_FIXED];
    uint8_t length = 0;
    while (length < LONGEST_FIXED && (text[length] = (char)FLASH_U8(flash + length)) != 0)
        length++;
    say_bytes(to, text, length);
}

static void say_text(sink *to, const char *text)
{
    say_bytes(to, text, strlen(text));
}

/* By subtraction: an 8-bit processor takes 600 cycles for each 32-bit division. */
static void say_unsigned(sink *to, uint32_t value)
{
    char digits[10];
    uint8_t length = 0;
    uint8_t place;
    for (place = 0; place < 10; place++) {
        uint32_t power = FLASH_U32(&power_of_ten[place]);
        char digit = '0';
        for (; value >= power; value -= power)
            digit++;
        if (length || digit != '0' || place == 9)
            digits[length++] = digit;
    }
    say_bytes(to, digits, length);
}

static void say_signed(sink *to, int32_t value)
{
    if (value < 0)
        say_byte(to, '-');
    say_unsigned(to, value < 0 ? 0u - (uint32_t)value : (uint32_t)value);
}

/* JSON text in quotes. A control character has no place in a name, so it spoils the frame instead of being escaped. */
static void say_quoted(sink *to, const char *text)
{
    const char *from = text; /* not yet said */
    say_byte(to, '"');
    for (; *text; text++) {
        if ((uint8_t)*text < 0x20)
            to->frame->refused = true;
        if (*text == '"' || *text == '\\') {
            say_bytes(to, from, (size_t)(text - from));
            say_byte(to, '\\');
            from = text;
        }
    }
    say_bytes(to, from, (size_t)(text - from));
    say_byte(to, '"');
}

static const char *type_name(sb_type type)
{
    switch (type) {
    case SB_U8:
        return type_u8;
    case SB_I16:
        return type_i16;
    case SB_U16:
        return type_u16;
    case SB_I24:
        return type_i24;
    case SB_I32:
        return type_i32;
    }
    return key_end; /* no type: a hello that no decoder takes; sb_hello_frame() refuses it before */
}

uint16_t sb_layout(const sb_hello *hello)
{
    sink to = {0, 0};
    uint8_t index;
    for (index = 0; index < hello->channel_count; index++) {
        if (index)
            say_byte(&to, ',');
        say_text(&to, hello->channels[index].name);
        say_byte(&to, ':');
        say_fixed(&to, type_name(hello->channels[index].type));
    }
    say_byte(&to, '@');
    say_unsigned(&to, hello->interval_ticks);
    return (uint16_t)to.crc;
}

static void say_channels(sink *to, const sb_hello *hello)
{
    const sb_channel *channel = hello->channels;
    uint8_t index;
    for (index = 0; index < hello->channel_count; index++, channel++) {
        if (index)
            say_byte(to, ',');
        if (sb_type_bytes(channel->type) == 0)
            to->frame->refused = true;
        say_fixed(to, key_channel_name);
        say_quoted(to, channel->name);
        say_fixed(to, key_type);
        say_fixed(to, type_name(channel->type));
        say_fixed(to, key_minimum);
        say_signed(to, channel->minimum);
        say_fixed(to, key_maximum);
        say_signed(to, channel->maximum);
        say_byte(to, '}');
    }
}

static void say_lines(sink *to, const sb_hello *hello)
{
    const sb_line *line = hello->lines;
    uint8_t index;
    for (index = 0; index < hello->line_count; index++, line++) {
        if (index)
            say_byte(to, ',');
        say_fixed(to, key_line);
        say_unsigned(to, line->line);
        say_fixed(to, key_name);
        say_quoted(to, line->name);
        say_byte(to, '}');
    }
}

size_t sb_hello_frame(uint8_t *out, size_t room, const sb_hello *hello)
{
    sb_frame frame;
    sink to = {&frame, 0};
    if (hello->channel_count == 0 || hello->line_count > SB_MAX_LINES)
        return 0;
    sb_begin(&frame, out, room, SB_KIND_HELLO);
    say_fixed(&to, key_format);
    say_unsigned(&to, SB_FORMAT);
    say_fixed(&to, key_device);
    say_quoted(&to, hello->device);
    say_fixed(&to, key_serial);
    say_quoted(&to, hello->serial);
    say_fixed(&to, key_firmware);
    say_quoted(&to, hello->firmware);
    say_fixed(&to, key_boot);
    say_unsigned(&to, hello->boot);
    say_fixed(&to, key_tick_hz);
    say_unsigned(&to, hello->tick_hz);
    say_fixed(&to, key_stream);
    say_unsigned(&to, hello->stream);
    say_fixed(&to, key_streams);
    say_unsigned(&to, hello->streams);
    say_fixed(&to, key_name);
    say_quoted(&to, hello->name);
    say_fixed(&to, key_interval);
    say_unsigned(&to, hello->interval_ticks);
    say_fixed(&to, key_layout);
    say_unsigned(&to, sb_layout(hello));
    say_fixed(&to, key_channels);
    say_channels(&to, hello);
    say_fixed(&to, key_lines);
    say_lines(&to, hello);
    say_fixed(&to, key_end);
    if (hello->skew_ticks) {
        say_fixed(&to, key_skew);
        say_unsigned(&to, hello->skew_ticks);
    }
    say_byte(&to, '}');
    return sb_end(&frame);
}
