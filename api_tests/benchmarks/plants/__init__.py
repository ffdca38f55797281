"""Whole plants for benchmarks: a journal and its books, written straight into a store.

`catalogue` says what is built, `shift` plays what happens to sixty units and has it judged by the service's own code,
`forms` turns what came of that into forms with blanks, `clock` says when the plant works, `lots` which lot is up where,
`stamping` what goes into the blanks of each block of units, `environment` what is received and loaded meanwhile;
`filling` writes rows in bulk, `journal` knows how entries keep their texts, `making` does all of it in order. `sizes`
tells how many bytes a store takes.
"""
