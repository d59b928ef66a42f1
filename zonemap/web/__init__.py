"""The review page: a small server on a loopback address that shows what the pipeline answers and keeps a journal.

The server decides; the page shows. Nothing here computes: decisions go to `zonemap.pipeline.review`, files to `job`.
"""
