"""Keys of a plan: one module for each part.

| key | module |
|---|---|
| `format`, `title`, `purpose`, `species`, `hosts`, `outputs` | `plan_keys` |
| `region`, `trust` | `region` |
| `layers` | `layer`, `gather` |
| `criteria` | `criteria`, `curves` |
| `constraints` | `constraints` |
| `weights`, `combine`, `classes` | `overlay` |
| `uncertainty`; `sd`, `quantiles` of a layer | `uncertainty` |
| `scenarios`, `futures` | `scenarios` |
| `parcels`, `zones`, `native`, `lab` | `places` |
| `verdict`, `prices` | `verdict` |
| `costs` | `costs` |
| `neighbours` | `neighbours` |
| `years` | `years` |
| `water_supply` | `water_supply` |
| `deal` | `deal` |
| `checks`, `signing` | `checks` |
| `cohorts` | `cohorts` |
| `rules` | `rules` |

`quantities` holds the types of single values, such as `30 m`.
"""
