/* The external bridge converter, when node_config.h says NODE_BRIDGE 1: three functions that bridge_adc.cpp gives. */
#ifndef BRIDGE_ADC_H
#define BRIDGE_ADC_H

#include "node.h"

/* Set up its pins and whatever it must be told once. */
void bridge_begin(void);

/* Is a conversion ready to be fetched? Asked from an interrupt on an AVR, at each row: it must only look at a pin. */
bool bridge_is_ready(void);

/* What came of fetching: a row; or nothing that a converter would say, and then no row is made of it. */
enum bridge_result : uint8_t { BRIDGE_ROW, BRIDGE_NO_ANSWER };

/* Fetch it: a count for each line of NODE_BRIDGE_CHANNELS. Where the wire cannot be told from a dead one, a missing
 * chip, a broken wire, a stuck line, say BRIDGE_NO_ANSWER: it would be recorded as thrust. Called from loop(), once for each conversion that was ready,
 * some milliseconds late at worst. It must not wait for the next one, and keep interrupts off for some microseconds
 * only: rows that come meanwhile are skipped and told, and beyond 30 ms an AVR's clock itself loses time. */
bridge_result bridge_take(int32_t *counts);

#endif
