from pathlib import Path

from subgrade.api import Event, Result, grade


def show(event: Event) -> None:
    if event.kind == "warning":
        print(event.text)


night: Result = grade(["lights"], out="graded", guide=Path("g.csv"), progress=show)
print(night.table["fwhm_arcsec"].median(), night.astropy_table()["fwhm_px"])
where: list[Path] = night.kept
for a in night.advice:
    print(a.action.upper(), a.saves_s + 1)
print(night.explain("x").evidence[0].value + 1, night.cull("x").seconds)
