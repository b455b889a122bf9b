/* Any other board with an Arduino core: digital lines by attachInterrupt(), each change with its time by micros(). */
#include "board_arduino.h"

#if !BOARD_AVR

#define LINE_PIN_OF(name, pin, sense) pin,
#define SENSE_OF(name, pin, sense) sense,

static const uint8_t line_pin[] = {NODE_LINES(LINE_PIN_OF) 0};
static const uint8_t line_sense_of[] = {NODE_LINES(SENSE_OF) 0};

constexpr uint8_t EDGES = 32; /* that may wait */
static volatile sb_line_state line_state[LINES + 1];
static volatile uint8_t levels;
static volatile board_edge edge_queue[EDGES];
static volatile uint8_t edge_oldest, edges_waiting;
static volatile uint32_t edges_unsent;
static uint8_t lines_dead; /* bits */

#if defined(ESP8266) || defined(ESP32)
#define IN_RAM IRAM_ATTR /* these cores crash when an interrupt runs from flash */
#else
#define IN_RAM
#endif

static uint8_t IN_RAM level_of(uint8_t line)
{
    return (digitalRead(line_pin[line]) == HIGH ? 1 : 0) ^ line_sense_of[line];
}

static void IN_RAM look_at(uint8_t line)
{
    uint32_t now = micros();
    uint8_t bit = static_cast<uint8_t>(1 << line);
    uint8_t level = level_of(line);
    if (level == ((levels & bit) != 0))
        return;
    levels = levels ^ bit;
    line_state[line].edges = static_cast<uint16_t>(line_state[line].edges + 1);
    line_state[line].last_ticks = now;
    if (edges_waiting == EDGES) {
        edges_unsent = edges_unsent + 1;
        return;
    }
    volatile board_edge *edge = &edge_queue[(edge_oldest + edges_waiting) % EDGES];
    edge->ticks = now;
    edge->edges = line_state[line].edges;
    edge->line = line;
    edge->level = level;
    edges_waiting = static_cast<uint8_t>(edges_waiting + 1);
}

/* The plain call hands nothing over, so each line has a function of its own. */
static void IN_RAM look_0(void) { look_at(0); }
static void IN_RAM look_1(void) { look_at(1); }
static void IN_RAM look_2(void) { look_at(2); }
static void IN_RAM look_3(void) { look_at(3); }
static void IN_RAM look_4(void) { look_at(4); }
static void IN_RAM look_5(void) { look_at(5); }
static void IN_RAM look_6(void) { look_at(6); }
static void IN_RAM look_7(void) { look_at(7); }
static void (*const look[SB_MAX_LINES])(void) = {look_0, look_1, look_2, look_3, look_4, look_5, look_6, look_7};

void begin_lines(void)
{
    for (uint8_t line = 0; line < LINES; line++)
        pinMode(line_pin[line], INPUT_PULLUP);
    delayMicroseconds(200); /* for a pull-up to lift the capacitance of a long cable */
    for (uint8_t line = 0; line < LINES; line++) {
        noInterrupts();
        if (level_of(line))
            levels = static_cast<uint8_t>(levels | 1 << line);
        interrupts();
        int number = static_cast<int>(digitalPinToInterrupt(line_pin[line]));
        if (number < 0) /* as cores say that there is none */
            lines_dead = static_cast<uint8_t>(lines_dead | 1 << line);
        else
            attachInterrupt(number, look[line], CHANGE);
    }
}

uint8_t lines_without_interrupt(void)
{
    return lines_dead;
}

bool board_edge_peek(board_edge *edge)
{
    noInterrupts();
    bool waits = edges_waiting > 0;
    if (waits) {
        const volatile board_edge *oldest = &edge_queue[edge_oldest];
        edge->ticks = oldest->ticks;
        edge->edges = oldest->edges;
        edge->line = oldest->line;
        edge->level = oldest->level;
    }
    interrupts();
    return waits;
}

void board_edge_done(void)
{
    noInterrupts();
    edge_oldest = static_cast<uint8_t>((edge_oldest + 1) % EDGES);
    edges_waiting = static_cast<uint8_t>(edges_waiting - 1);
    interrupts();
}

uint32_t board_unsent_edges(void)
{
    noInterrupts();
    uint32_t edges = edges_unsent;
    interrupts();
    return edges;
}

uint8_t board_lines(sb_line_state *states)
{
    noInterrupts();
    uint8_t now = levels;
    if (states)
        for (uint8_t line = 0; line < LINES; line++) {
            states[line].edges = line_state[line].edges;
            states[line].last_ticks = line_state[line].last_ticks;
        }
    interrupts();
    return now;
}

#endif
