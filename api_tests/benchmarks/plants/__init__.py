"""Whole plants for benchmarks: a journal and its books, written straight into a store.

`catalogue` says what is built, `shift` plays what happens to sixty units and has it judged by the service's own code,
`forms` turns what came of that into forms with blanks, `lots` says which lot is up where, `stamping` fills the blanks in
again and again, and `filling` writes the rows in bulk. `sizes` tells how many bytes it all takes.
"""
