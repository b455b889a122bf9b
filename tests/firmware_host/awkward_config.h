/* A configuration at the edges: every signed type, eight lines, the longest name, characters that JSON escapes. */
#define NODE_DEVICE "bench \"two\" \\ é漢"
#define NODE_SERIAL "a serial number of 64 characters, the longest that is taken, 064"
#define NODE_FIRMWARE "2.0-rc.1+x"
#define NODE_BAUD 1000000
#define NODE_RATE 500
#define NODE_BATCH_ROWS 7
#define NODE_STREAM "mixed"
#define NODE_CHANNELS(CHANNEL)                                \
    CHANNEL("count", A0, SB_I16, -32768, 32767)               \
    CHANNEL("ms", A1, SB_I24, -8388608, 8388607)              \
    CHANNEL("wide \"µ\"", A2, SB_I32, -2147483647, 2147483647) \
    CHANNEL("plain", A3, SB_U16, 0, 4095)
#define NODE_LINES(LINE)                                                                                          \
    LINE("fire", 2, LINE_LOW_IS_1)                                                                                \
    LINE("valve \\ open", 3, LINE_HIGH_IS_1)                                                                      \
    LINE("l2", 4, LINE_LOW_IS_1)                                                                                  \
    LINE("l3", 5, LINE_LOW_IS_1)                                                                                  \
    LINE("l4", 6, LINE_LOW_IS_1)                                                                                  \
    LINE("l5", 7, LINE_LOW_IS_1)                                                                                  \
    LINE("l6", 8, LINE_LOW_IS_1)                                                                                  \
    LINE("l7", 9, LINE_LOW_IS_1)
#define NODE_BOOT BOOT_NOISE
