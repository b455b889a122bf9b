/* Tables and fixed text are read through these, since an 8-bit AVR would otherwise copy them into its 2 KB of RAM.
 * Everywhere else they are plain memory. For the framing's own files only. */
#ifndef STANDBOOK_FLASH_H
#define STANDBOOK_FLASH_H

#ifdef __AVR__
#include <avr/pgmspace.h>
#define FLASH PROGMEM
#define FLASH_U8(at) pgm_read_byte(at)
#define FLASH_U32(at) pgm_read_dword(at)
#else
#define FLASH
#define FLASH_U8(at) (*(at))
#define FLASH_U32(at) (*(at))
#endif

#endif
