#!/usr/bin/env python3
"""table.py RESULTS: the medians of RESULTS (one JSON object a line: row, who, run, total, ...) as a table, then as JSON."""
import json
import statistics
import sys

results = [json.loads(line) for line in open(sys.argv[1])]
summary = {}
for row in dict.fromkeys(result["row"] for result in results):
    line = summary[row] = {}
    for who in ["baseline", "yarder"]:
        runs = [result for result in results if (result["row"], result["who"]) == (row, who)]
        if runs:
            totals = [run["total"] for run in runs]
            line[who] = round(statistics.median(totals), 2)
            line[who + "_runs"] = len(totals)
            line[who + "_spread"] = [min(totals), max(totals)]
            if who == "yarder":
                line["peak_mb"] = max(run["peak_mb"] for run in runs)
            else:
                phases = ["download", "digest", "copy", "sync", "digest_copy"]
                line["phases"] = {name: round(statistics.median(run[name] for run in runs), 2) for name in phases}
    if "baseline" in line and "yarder" in line:
        line["ratio"] = round(line["yarder"] / line["baseline"], 2)

print(f"{'row':<16}{'baseline s':>12}{'yarder s':>12}{'ratio':>8}{'peak MB':>10}")
for row, line in summary.items():
    cells = [line.get("baseline", "-"), line.get("yarder", "-"), line.get("ratio", "-"), line.get("peak_mb", "-")]
    print(f"{row:<16}{cells[0]:>12}{cells[1]:>12}{cells[2]:>8}{cells[3]:>10}")
print(json.dumps(summary))
