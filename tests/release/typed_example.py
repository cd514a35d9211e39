from pathlib import Path

from subgrade.api import Event, Nights, Result, grade, nights


def show(event: Event) -> None:
    if event.kind == "warning":
        print(event.text)


night: Result = grade(["lights"], out="graded", guide=Path("g.csv"), progress=show)
print(night.table["fwhm_arcsec"].median(), night.astropy_table()["fwhm_px"])
where: list[Path] = night.kept
for a in night.advice:
    print(a.action.upper(), a.saves_s + 1)
print(night.explain("x").evidence[0].value + 1, night.cull("x").seconds)
season: Nights = nights(["graded"], out="season")
print(season.hours["kept_h"].sum(), season.weights["weight"].max(), season.table.shape[0] + 1)
print(season.summary[0].upper(), season.exit_code + 1)
