"""What tests are made with. Nothing here checks anything.

Pictures and shapes: `exact_views` (prisms and rods through a known camera, by OpenCV and shapely),
`silhouettes` (worn solids through known cameras), `sheet_scenes` (the sheet, exact and blurred),
`photos_with_place` (files that say where and by what they were taken), `spoilt_photos` (blurred, dark,
cut), `solids` (what tests ask of worn solids beyond what the product needs).

Records and books: `hand_made` (records), `report_samples` (sample photos judged once a process),
`report_made` (reports of either), `books` (books of few entries), `book_entries` (an invented yard's
entries, for reckoning), `web_yard` (a book with the page over it).

Doubles of the outside: `batch_doubles` (work that is cheap or fails on purpose), `cluster_doubles` (a
Dask cluster and an S3-compatible store of processes of our own), `stamping_service` (openssl as a
time-stamping authority).

`skips`: which tests may be skipped.
"""
