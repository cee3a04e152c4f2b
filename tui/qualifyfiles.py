"""The report of a qualification as files: JUnit XML for a CI, HTML for a person.

JUnit XML has no standard. The form is that of the schema for Apache Ant's JUnit tasks, the
strictest in use: CI servers that allow more read it too (common practice). The page is one file
that needs no network and no script.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import UTC, datetime
from html import escape
from pathlib import Path

from kerfbus.bench.wire import function_name
from kerfbus.sim.qualification.record import Finding, Grade
from kerfbus.tui.output import naming
from kerfbus.tui.qualifying import NOTE, Outcome

SUITE = "kerfbus.qualify"
_NOT_IN_XML = {code: None for code in range(32) if code not in (9, 10, 13)}
"""Control characters that XML 1.0 does not allow (section 2.2)."""


def check_free(*paths: str | None) -> None:
    """Check that files can be written before anything is run; nothing is left behind.

    Raises:
        OSError: one cannot; its name is in the error.
    """
    for path in filter(None, paths):
        with naming(path):
            was_there = Path(path).exists()
            Path(path).open("ab").close()
            if not was_there:
                Path(path).unlink()


def write_junit(outcome: Outcome, path: str) -> None:
    """Write the report as JUnit XML; an old file of this name is replaced.

    Raises:
        OSError: the file cannot be written.
    """
    with naming(path):
        Path(path).write_bytes(junit(outcome))


def write_page(outcome: Outcome, path: str) -> None:
    """Write the report as a page; an old file of this name is replaced.

    Raises:
        OSError: the file cannot be written.
    """
    with naming(path):
        Path(path).write_text(_plain(page(outcome)), encoding="utf-8")


def junit(outcome: Outcome) -> bytes:
    """Return the report as JUnit XML."""
    grades = [each.grade for each in outcome.findings]
    root = ET.Element("testsuites")
    suite = ET.SubElement(root, "testsuite", {"id": "0", "package": "kerfbus", "name": SUITE})
    suite.set("timestamp", _when(outcome.record.begin).strftime("%Y-%m-%dT%H:%M:%S"))
    suite.set("hostname", "localhost")
    suite.set("tests", str(len(grades)))
    suite.set("failures", str(grades.count(Grade.FAIL)))
    suite.set("errors", "0")
    suite.set("skipped", str(grades.count(Grade.NOT_SEEN)))
    suite.set("time", f"{outcome.seconds:.3f}")
    properties = ET.SubElement(suite, "properties")
    coverage = outcome.coverage
    for name, value in (
        ("plan", outcome.plan.name),
        ("map", outcome.map_name),
        ("port", outcome.place),
        ("functions", ", ".join(map(str, coverage.functions))),
        ("registers", ", ".join(coverage.registers)),
    ):
        ET.SubElement(properties, "property", name=name, value=_plain(value))
    for finding in outcome.findings:
        _case(suite, outcome, finding)
    passed = [each for each in outcome.findings if each.grade is Grade.PASS]
    said = [f"{each.check}: {each.detail}" for each in passed]
    ET.SubElement(suite, "system-out").text = _plain("\n".join(said))
    ET.SubElement(suite, "system-err")
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _case(suite: ET.Element, outcome: Outcome, finding: Finding) -> None:
    name = f"{SUITE}.{outcome.plan.name}"
    case = ET.SubElement(suite, "testcase", classname=name, name=finding.check, time="0")
    detail = _plain(finding.detail)
    if finding.grade is Grade.FAIL:
        failure = ET.SubElement(case, "failure", message=detail, type="fail")
        failure.text = _plain("\n".join((finding.detail, *_evidence(outcome, finding))))
    elif finding.grade is Grade.NOT_SEEN:
        ET.SubElement(case, "skipped", message=f"not seen: {detail}")


def _plain(text: str) -> str:
    return text.translate(_NOT_IN_XML)


def _evidence(outcome: Outcome, finding: Finding) -> list[str]:
    return [
        f"#{number} at {outcome.since(at):.3f} s: {said}"
        for number, at, said in outcome.speaks(finding)
    ]


def _when(at: int) -> datetime:
    return datetime.fromtimestamp(at / 1e9, UTC)


_STYLE = """
body { font: 16px/1.45 system-ui, sans-serif; margin: 2rem auto; max-width: 60rem; padding: 0 1rem;
  color: #1a1a1a; background: #fff }
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; vertical-align: top; padding: .4rem .6rem;
  border-bottom: 1px solid #ccc }
th { font-weight: 600 } td.grade { white-space: nowrap; font-weight: 600 }
.pass td.grade { color: #0a6b2d } .fail td.grade { color: #b00020 }
.not-seen td.grade { color: #5a5a5a }
code, pre { font: 14px/1.4 ui-monospace, monospace } pre { margin: .4rem 0; white-space: pre-wrap }
summary { cursor: pointer }
@media (prefers-color-scheme: dark) { body { color: #e8e8e8; background: #161616 }
  th, td { border-color: #444 } .pass td.grade { color: #6fd08c } .fail td.grade { color: #ff8a8a }
  .not-seen td.grade { color: #aaa } }
@media print { details > pre { display: block } }
""".strip()


def page(outcome: Outcome) -> str:
    """Return the report as one HTML page: no script, nothing from elsewhere."""
    coverage, record = outcome.coverage, outcome.record
    begun = _when(record.begin).strftime("%Y-%m-%d %H:%M:%S UTC") if record.asked else "never"
    functions = ", ".join(f"{code:02X} {function_name(code)}" for code in coverage.functions)
    verdict = "Failed" if outcome.failed else "Nothing failed"
    facts = (
        ("Connected at", outcome.place),
        ("Register map", outcome.map_name),
        ("Plan", outcome.plan.name),
        ("Line", str(record.settings)),
        ("First request", begun),
        ("Functions used", functions or "none"),
        (f"Registers used ({len(coverage.registers)})", ", ".join(coverage.registers) or "none"),
    )
    rows = "\n".join(_row(outcome, each) for each in outcome.findings)
    about = "\n".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(value)}</td></tr>'
        for name, value in facts
    )
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Controller on trial: {escape(verdict.lower())}</title>
<style>
{_STYLE}
</style>
</head>
<body>
<h1>Controller on trial</h1>
<p><strong>{escape(verdict)}</strong>: {escape(outcome.summary)}.</p>
<table>
<thead><tr><th scope="col">Check</th><th scope="col">Grade</th>\
<th scope="col">Detail</th></tr></thead>
<tbody>
{rows}
</tbody>
</table>
<h2>About this run</h2>
<table>
<tbody>
{about}
</tbody>
</table>
<p>{escape(NOTE)}</p>
</body>
</html>
"""


def _row(outcome: Outcome, finding: Finding) -> str:
    evidence = _evidence(outcome, finding)
    more = ""
    if evidence:
        opened = " open" if finding.grade is Grade.FAIL else ""
        lines = escape("\n".join(evidence))
        more = f"<details{opened}><summary>Requests</summary><pre>{lines}</pre></details>"
    kind = finding.grade.value.replace(" ", "-")
    return (
        f'<tr class="{kind}"><td><code>{escape(finding.check)}</code></td>'
        f'<td class="grade">{escape(finding.grade.value)}</td>'
        f"<td>{escape(finding.detail)}{more}</td></tr>"
    )
