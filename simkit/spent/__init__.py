"""Where the time goes: cycles of routines, handlers and source lines, latency of interrupts, frames missed."""
