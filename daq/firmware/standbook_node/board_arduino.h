/* What the two files of a board with plain Arduino calls share: board_arduino.cpp and, for the digital lines,
 * board_arduino_lines.cpp. */
#ifndef BOARD_ARDUINO_H
#define BOARD_ARDUINO_H

#include "board.h"

void begin_lines(void);
uint8_t lines_without_interrupt(void); /* their bits */

#endif
