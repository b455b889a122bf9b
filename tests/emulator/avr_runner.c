/* Runs the ELF of a sketch on an emulated ATmega328P, its UART on a pseudo-terminal. For tests only.
 *
 * It links simavr's library, which is under the GPL, version 3. That is why this program stands apart from the
 * package, meets the tests through files and a terminal only, and is not in the wheel.
 *
 *   avr_runner FIRMWARE.elf [--trace FILE] [--eeprom FILE] [--link PATH | --output FILE] [--conversions FILE]
 *              [--pace FACTOR] [--settle SECONDS] [--wait SECONDS] [--stop SECONDS] [--at SECONDS ACTION]...
 *
 * trace        CSV: time_s, then mvK (what ADC input K sees; a straight line between rows) and pinN (level of the
 *              board's digital pin N from this row on), as its header says
 * pace         so many simulated seconds in a real one; 0: as fast as it goes
 * ACTION       reset        somebody presses the button
 *              port:S       the port is gone for S seconds, the board runs on
 *              power:S      port and supply are gone for S seconds; the board starts when its port is opened again
 *              tell         print "told" on a line of its own
 *
 * Prints the path of the port, each time that it gets one, on a line of its own, and last one line of JSON. The
 * firmware starts when somebody has opened the port, because opening flushes what came before. Simulated time begins
 * there and goes on without supply too. Conversions go to a file: cycle u64, start u32, input u16, millivolt u16.
 * Where the emulated chip differs from silicon: a byte takes 11 bit times, and a count is floor(1023 V / Vref). */

#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/sim_avr.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_elf.h>

enum { HZ = 16000000, SLICE = HZ / 1000, SUPPLY_MV = 5000, COLUMNS = 24, ACTIONS = 32, STARTS = 64 };
enum { RAM_START = 0x100, MCUSR = 0x54, UCSR0B = 0xC1, PAINT = 0xA5, POWER_ON = 1, RESET_PIN = 2 };

typedef struct { double at, wait; char what; } action_t; /* r reset, u unplug, p plug, w without power, t tell */
typedef struct { uint64_t cycle; uint32_t start; uint16_t input, millivolt; } __attribute__((packed)) conversion_t;
typedef unsigned long long count_t;

static avr_t *avr;
static avr_irq_t *adc_irq, *uart_irq;
static FILE *told, *conversions;
static const char *trace_file, *eeprom_file, *output_file, *link_path;
static double pace = 1.0, settle = 0.3, patience = 60.0, stop_at = 1e9;
static action_t action[ACTIONS];
static int actions, columns, input_of[COLUMNS], pin_of[COLUMNS];
static double (*trace)[COLUMNS];
static size_t rows, row, waiting;
static int master = -1, output = -1, in_interrupt, receiver_was_on;
static char path[64];
static uint8_t pending[8192];
static count_t sent, dropped, unheard, received, converted, slept, interrupted, entered;
static int64_t offset, started[STARTS];   /* simulated cycles less the library's own; when the firmware started */
static uint32_t starts;
static struct timespec origin;            /* real time of simulated time 0 */
static volatile sig_atomic_t ending;

static void on_signal(int number) { (void)number, ending = 1; }
static int64_t elapsed(void) { return offset + (int64_t)avr->cycle; }
static double seconds(void) { return (double)elapsed() / HZ; }

static void die(const char *about, const char *what)
{
    fprintf(stderr, "avr_runner: %s: %s\n", about, what);
    exit(2);
}

static void nap(double time)
{
    if (time > 0.0) nanosleep(&(struct timespec){(time_t)time, (long)((time - (double)(time_t)time) * 1e9)}, NULL);
}

static double since(const struct timespec *begin)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)(now.tv_sec - begin->tv_sec) + (double)(now.tv_nsec - begin->tv_nsec) / 1e9;
}

/* --- trace ------------------------------------------------------------------------------------------------- */

static void read_trace(void)
{
    static char line[1024];
    FILE *file = fopen(trace_file, "r");
    if (!file || !fgets(line, sizeof line, file)) die(trace_file, "no trace there");
    for (char *word = strtok(line, ",\r\n"); word && columns < COLUMNS; word = strtok(NULL, ",\r\n"), columns++) {
        input_of[columns] = strncmp(word, "mv", 2) ? -1 : atoi(word + 2);
        pin_of[columns] = strncmp(word, "pin", 3) ? -1 : atoi(word + 3);
        if (columns && input_of[columns] < 0 && pin_of[columns] < 0) die(word, "a column is neither mvK nor pinN");
    }
    for (; fgets(line, sizeof line, file); rows++) {
        char *at = line;
        if (!(trace = realloc(trace, (rows + 1) * sizeof *trace))) die(trace_file, "too long");
        for (int k = 0; k < columns; k++, at += *at == ',') trace[rows][k] = strtod(at, &at);
    }
    fclose(file);
    if (!rows) die(trace_file, "a trace without rows");
}

static uint16_t millivolt(int input)
{
    double t = seconds(), value = 0.0;
    while (row + 1 < rows && trace[row + 1][0] <= t) row++;
    for (int k = 1; k < columns; k++) {
        if (input_of[k] != input) continue;
        value = trace[row][k];
        if (row + 1 < rows && t > trace[row][0])
            value += (trace[row + 1][k] - value) * (t - trace[row][0]) / (trace[row + 1][0] - trace[row][0]);
    }
    return (uint16_t)(value < 0.0 ? 0.0 : value + 0.5);
}

/* Set the pins as the row says that has come, and be back at the next one. */
static avr_cycle_count_t pins(avr_t *chip, avr_cycle_count_t when, void *afresh)
{
    static int level[COLUMNS];
    (void)when;
    millivolt(0);
    for (int k = 1; k < columns; k++) {
        int pin = pin_of[k], first = pin < 8 ? 0 : pin < 14 ? 8 : 14, now = trace[row][k] != 0.0;
        char port = pin < 8 ? 'D' : pin < 14 ? 'B' : 'C';
        if (pin < 0 || (now == level[k] && !afresh)) continue;
        avr_irq_t *irq = avr_io_getirq(chip, AVR_IOCTL_IOPORT_GETIRQ(port), pin - first);
        avr_irq_set_flags(irq, avr_irq_get_flags(irq) & (uint8_t)~IRQ_FLAG_FILTERED); /* a reset forgets levels */
        avr_raise_irq(irq, (uint32_t)(level[k] = now));
    }
    if (row + 1 < rows) {
        int64_t due = (int64_t)(trace[row + 1][0] * HZ) + 1 - elapsed();
        avr_cycle_timer_register(chip, due > 1 ? (avr_cycle_count_t)due : 1, pins, NULL);
    }
    return 0;
}

/* --- what the chip does ------------------------------------------------------------------------------------ */

static void on_conversion(avr_irq_t *irq, uint32_t value, void *param)
{
    union { avr_adc_mux_t mux; uint32_t word; } asked = {.word = value};
    (void)irq, (void)param;
    if (asked.mux.kind != ADC_MUX_SINGLE || asked.mux.src > 7) return;
    conversion_t one = {(uint64_t)elapsed(), starts, (uint16_t)asked.mux.src, millivolt((int)asked.mux.src)};
    avr_raise_irq(adc_irq + ADC_IRQ_ADC0 + one.input, one.millivolt);
    if (conversions) fwrite(&one, sizeof one, 1, conversions);
    converted++;
}

static void on_byte(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    if (waiting == sizeof pending) die("UART", "more bytes in a millisecond than any speed gives");
    pending[waiting++] = (uint8_t)value;
}

static void on_interrupt(avr_irq_t *irq, uint32_t vector, void *param)
{
    (void)irq, (void)param;
    if (vector && !in_interrupt) entered = (count_t)elapsed();
    if (!vector && in_interrupt) interrupted += (count_t)elapsed() - entered;
    in_interrupt = vector != 0;
}

static void on_sleep(avr_t *chip, avr_cycle_count_t cycles) { (void)chip, slept += cycles; }

static void eeprom(const char *mode)
{
    avr_eeprom_desc_t all = {NULL, 0, 0};    /* this way the library hands out its own bytes */
    FILE *file = eeprom_file ? fopen(eeprom_file, mode) : NULL;
    if (!file) return;
    avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &all);
    size_t done = *mode == 'r' ? fread(all.ee, 1, avr->e2end + 1, file) : fwrite(all.ee, 1, avr->e2end + 1, file);
    if (fclose(file) || done != avr->e2end + 1u) die(eeprom_file, "is not a whole EEPROM");
}

static void start(uint8_t cause)
{
    int64_t before = elapsed();
    eeprom("wb");
    if (starts) avr_reset(avr);
    avr->data[MCUSR] = cause;
    offset = before - (int64_t)avr->cycle;
    in_interrupt = 0;
    if (starts == STARTS) die("reset", "too many");
    started[starts++] = before;
    if (rows) pins(avr, 0, avr);
}

/* --- port -------------------------------------------------------------------------------------------------- */

static int has_reader(void)
{
    struct pollfd one = {master, POLLOUT, 0};
    return master >= 0 && poll(&one, 1, 0) >= 0 && !(one.revents & POLLHUP);
}

static int terminal(void)
{
    int made = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (made < 0 || grantpt(made) || unlockpt(made)) die("pseudo-terminal", strerror(errno));
    return made;
}

static void plug(void)
{
    struct termios raw;
    char made[512];
    master = terminal();
    if (!strcmp(path, ptsname(master))) {    /* a free name is given again at once; after an unplugging it is another */
        int held = master;
        master = terminal();
        close(held);
    }
    snprintf(path, sizeof path, "%s", ptsname(master));
    int slave = open(path, O_RDWR | O_NOCTTY);
    if (slave < 0 || tcgetattr(slave, &raw)) die(path, strerror(errno));
    cfmakeraw(&raw);                         /* before the first byte: an echo or a new line would damage frames */
    tcsetattr(slave, TCSANOW, &raw);
    close(slave);                            /* from now on the master hangs up until somebody opens the port */
    snprintf(made, sizeof made, "%s.new", link_path ? link_path : "");
    if (link_path && (symlink(path, made) || rename(made, link_path))) die(link_path, strerror(errno));
    fprintf(told, "%s\n", path);
}

static void unplug(void)
{
    if (link_path) unlink(link_path);
    if (master >= 0) close(master);
    master = -1;
}

/* Hand on what the UART sent; what the port has no room for is lost, as a reader that is too slow loses it. */
static void flush(void)
{
    uint8_t in[256];
    int to = output >= 0 ? output : has_reader() ? master : -1;
    ssize_t done = to >= 0 && waiting ? write(to, pending, waiting) : 0;
    count_t gone = done > 0 ? (count_t)done : 0;
    *(to >= 0 ? &dropped : &unheard) += waiting - gone;
    sent += gone, waiting = 0;
    for (ssize_t got = master >= 0 ? read(master, in, sizeof in) : 0, k = 0; k < got; k++, received++)
        avr_raise_irq(uart_irq + UART_IRQ_INPUT, in[k]);
    receiver_was_on |= avr->data[UCSR0B] >> 4 & 1;
}

/* Wait until somebody has opened the port and had time to settle. But for the first time, the trace goes on. */
static void wait_for_reader(void)
{
    struct timespec begin;
    clock_gettime(CLOCK_MONOTONIC, &begin);
    for (; output < 0 && !ending && !has_reader(); nap(0.002))
        if (since(&begin) > patience) die(path, "nobody opened the port");
    if (output < 0 && !ending) nap(settle);
    /* A board has a processor of its own and waits for nobody: where this may be asked for, it is. */
    if (pace > 0.0) (void)sched_setscheduler(0, SCHED_RR, &(struct sched_param){sched_get_priority_min(SCHED_RR)});
    if (!starts) clock_gettime(CLOCK_MONOTONIC, &origin);
    else if (pace > 0.0 && since(&origin) * pace > seconds())
        offset += (int64_t)(since(&origin) * pace * HZ) - elapsed();
}

/* Keep to real time. What is late by 50 ms catches up at most twice as fast as usual: a link has a speed. */
static void keep_pace(void)
{
    static struct timespec last;
    double ahead = pace > 0.0 ? seconds() / pace - since(&origin) : 0.0;
    nap(ahead < -0.05 ? 0.5 * SLICE / HZ / pace - since(&last) : ahead);
    clock_gettime(CLOCK_MONOTONIC, &last);
}

static void act(const action_t *now)
{
    if (now->what == 't') fprintf(told, "told\n");
    if (now->what == 'u' || now->what == 'w') flush(), unplug();
    if (now->what == 'w') offset += (int64_t)(now->wait * HZ), keep_pace();
    if (now->what == 'w' || now->what == 'p') plug();
    if (now->what == 'w') wait_for_reader();
    if (now->what == 'w' || now->what == 'r') start(now->what == 'r' ? RESET_PIN : POWER_ON);
}

/* --- all of it --------------------------------------------------------------------------------------------- */

static void add(double at, const char *what)
{
    const char *colon = strchr(what, ':');
    double wait = colon ? atof(colon + 1) : 0.0;
    int at_once = !strcmp(what, "reset") || !strcmp(what, "tell");
    if (actions + 2 > ACTIONS || (!at_once && wait <= 0.0)) die(what, "no such action");
    if (at_once) action[actions++] = (action_t){at, 0.0, *what};
    else if (!strncmp(what, "power:", 6)) action[actions++] = (action_t){at, wait, 'w'};
    else if (!strncmp(what, "port:", 5))
        action[actions++] = (action_t){at, wait, 'u'}, action[actions++] = (action_t){at + wait, 0.0, 'p'};
    else die(what, "no such action");
    for (int k = actions - 1; k > 0 && action[k].at < action[k - 1].at; k--) {
        action_t swapped = action[k];
        action[k] = action[k - 1], action[k - 1] = swapped;
    }
}

static void ask(int count, char **words)
{
    for (int k = 2; k < count; k += 2) {
        const char *option = words[k], *value = k + 1 < count ? words[k + 1] : NULL;
        if (!value) die(option, "needs a value");
        if (!strcmp(option, "--trace")) trace_file = value;
        else if (!strcmp(option, "--eeprom")) eeprom_file = value;
        else if (!strcmp(option, "--output")) output_file = value;
        else if (!strcmp(option, "--link")) link_path = value;
        else if (!strcmp(option, "--pace")) pace = atof(value);
        else if (!strcmp(option, "--settle")) settle = atof(value);
        else if (!strcmp(option, "--wait")) patience = atof(value);
        else if (!strcmp(option, "--stop")) stop_at = atof(value);
        else if (!strcmp(option, "--conversions") && !(conversions = fopen(value, "wb"))) die(value, strerror(errno));
        else if (!strcmp(option, "--at") && k + 2 < count) add(atof(value), words[k++ + 2]);
        else if (strcmp(option, "--conversions")) die(option, "no such option");
    }
}

static void make_chip(const char *elf)
{
    static elf_firmware_t firmware;
    uint32_t flags = 0;
    if (elf_read_firmware(elf, &firmware) || !(avr = avr_make_mcu_by_name("atmega328p"))) die(elf, "cannot be loaded");
    avr_init(avr);
    firmware.frequency = HZ, firmware.vcc = firmware.avcc = firmware.aref = SUPPLY_MV;
    avr_load_firmware(avr, &firmware);
    avr->sleep = on_sleep;
    avr->log = LOG_ERROR;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags); /* no echo on our own output, no naps of its own */
    adc_irq = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
    uart_irq = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), 0);
    avr_irq_register_notify(adc_irq + ADC_IRQ_OUT_TRIGGER, on_conversion, NULL);
    avr_irq_register_notify(uart_irq + UART_IRQ_OUTPUT, on_byte, NULL);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, AVR_INT_ANY) + AVR_INT_IRQ_RUNNING, on_interrupt, NULL);
    memset(avr->data + RAM_START, PAINT, avr->ramend + 1u - RAM_START);
    eeprom("rb");
}

/* The longest stretch of memory that nothing ever wrote to lies between variables and stack. */
static int untouched(void)
{
    int longest = 0, run = 0;
    for (int k = RAM_START; k <= avr->ramend; k++, longest = run > longest ? run : longest)
        run = avr->data[k] == PAINT ? run + 1 : 0;
    return longest;
}

int main(int count, char **words)
{
    int state = cpu_Running, next = 0, own = dup(1);
    if (count < 2) die("usage", "avr_runner FIRMWARE.elf [options]");
    dup2(2, 1);                              /* the library prints on standard output, which is ours */
    told = fdopen(own, "w");
    setvbuf(told, NULL, _IOLBF, 0);
    sigaction(SIGTERM, &(struct sigaction){.sa_handler = on_signal}, NULL);
    sigaction(SIGINT, &(struct sigaction){.sa_handler = on_signal}, NULL);
    ask(count, words);
    make_chip(words[1]);
    if (trace_file) read_trace();
    if (output_file) output = open(output_file, O_WRONLY | O_CREAT | O_TRUNC, 0644);
    if (output_file && output < 0) die(output_file, strerror(errno));
    if (!output_file) plug();
    wait_for_reader();
    if (!ending) start(POWER_ON);
    for (int64_t due = SLICE; !ending && seconds() < stop_at && state != cpu_Done && state != cpu_Crashed;) {
        state = avr_run(avr);
        if (elapsed() < due) continue;
        due = elapsed() + SLICE;
        flush();
        keep_pace();
        while (next < actions && action[next].at <= seconds()) act(&action[next++]);
    }
    flush();
    eeprom("wb");
    if (conversions) fclose(conversions);
    fprintf(told, "{\"seconds\": %.6f, \"cycles\": %lld, \"slept\": %llu, \"in_interrupts\": %llu, ", seconds(),
            (long long)elapsed(), slept, interrupted);
    fprintf(told, "\"sent\": %llu, \"dropped\": %llu, \"unheard\": %llu, \"received\": %llu, ", sent, dropped,
            unheard, received);
    fprintf(told, "\"receiver_was_on\": %s, \"conversions\": %llu, ", receiver_was_on ? "true" : "false", converted);
    fprintf(told, "\"untouched_ram\": %d, \"crashed\": %s, \"starts\": [", untouched(),
            state > cpu_Sleeping ? "true" : "false");
    for (uint32_t k = 0; k < starts; k++) fprintf(told, "%s%lld", k ? ", " : "", (long long)started[k]);
    fprintf(told, "]}\n");
    unplug();
    return state > cpu_Sleeping;
}
