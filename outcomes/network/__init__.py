"""A network of clinics: caseloads larger than one machine, judged by the same functions.

`store` packs caseloads into Parquet parts by clinic and bucket of clients; `partition` runs the
functions of `outcomes.records` and `outcomes.statistics` on one of them; `engines` does so for all,
on this machine or on a `dask.distributed` cluster; `review` adds up what they gave.
"""
