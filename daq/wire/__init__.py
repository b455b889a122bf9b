"""Encode and decode wire format 1 and text lines: bytes to messages and rows, and back.

Takes bytes of one port; gives hellos, rows, edges and notes, with all damage counted.
May import: daq/storage.
"""
