//! Node equations of the keypad ladder with faults, and their fit to readings.
