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
| `costs` | `decision/costs` |
| `neighbours` | `decision/neighbours` |
| `years` | `decision/years` |
| `water_supply` | `decision/water_supply` |
| `deal` | `decision/deal` |
| `checks`, `signing` | `decision/checks` |
| `cohorts` | `decision/cohorts` |
| `rules` | `decision/rules` |

`quantities` holds the types of single values, such as `30 m`.
"""
