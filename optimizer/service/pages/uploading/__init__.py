"""The pages of uploads: ``view`` shows a check as a form, ``choices`` reads the form."""
