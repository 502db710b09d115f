"""Results in words, for terminals, tables and pages alike.

The other halls hold meanings: enums and small records of `places.answers`, and numbers. Only the modules here make
sentences of them. Another language is one more set of these modules: `state_words` (reasons, states, origins),
`criterion_words` (best range, what can be changed), `class_words`, `error_words`, `lab_words`, `pair_words`,
`answer_words`, `sensitivity_words`, `findings` (what a remedy can raise), those of `report.text.verdicts`, and those of
`report.terminal`.
`cell_sentences` and `places.columns.cell_text` stay English: they are the texts of files, and read them back.
"""
