"""The ventilator's phases: start, turn and end of each inflation, how it was delivered and begun, holds, leak."""
