"""Record the demo study's findings, as a reviewer would in the notebooks: python data_demo/source/record_findings.py.

Run it after `make_demo.py`. Unlike that script it uses the kit, because a finding is what the kit says of the data.
"""

from __future__ import annotations

from pathlib import Path

from ohmshift.show.panels.explain import ExplainPanel
from ohmshift.show.panels.real_or_variation import ChangePanel
from ohmshift.show.panels.record import plain_settings
from ohmshift.study.findings import LOG, Finding, append_finding
from ohmshift.study.folder import open_study

STUDY = Path(__file__).resolve().parents[1]
WHEN = "2026-11-25T10:00:00+00:00"
ONE_UNIT = "One unit of each earphone, three seats, one ear simulator; above 10 kHz the simulator is not an ear."


def main() -> None:
    """Write the log anew."""
    (STUDY / LOG).unlink(missing_ok=True)
    study = open_study(STUDY)
    change, explain = ChangePanel(study), ExplainPanel(study)
    asked = [
        ("demo-whisk", change, "30_real_or_variation", "Whisk", ONE_UNIT),
        ("demo-spoon", change, "30_real_or_variation", "Spoon", f"A change below 1 dB can still be there. {ONE_UNIT}"),
        ("demo-grater", explain, "40_explain", "Grater", f"The impedance is simulated without noise. {ONE_UNIT}"),
    ]
    for name, panel, notebook, earphone, caveat in asked:
        panel.controls["earphone"].value = earphone
        draft = panel.view.draft
        finding = Finding(
            id=name,
            recorded_at=WHEN,
            statement=draft.statement,
            caveat=caveat,
            quantities=draft.quantities,
            settings=plain_settings(panel.settings),
            data=draft.data,
            notebook=notebook,
            earphone=earphone,
        )
        print(append_finding(STUDY, finding).statement)


if __name__ == "__main__":
    main()
