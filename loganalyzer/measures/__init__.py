"""What a log says in numbers: one module a question, tables in and a table out."""
