#!/usr/bin/env bash
# Looks at the report's sample pages as a browser shows them: axe-core's rules, no sideways scrolling, and pictures and a
# print for a person to look at. Needs chromium, node and npm with its registry, so that it is no part of tests/run.
# tests/page/look.sh [FOLDER [PAGES]]: where pictures go, a new temporary folder otherwise; and a folder of pages other than
# the samples, such as the planted fortnight writes where YARDER_PAGES names one.
set -euo pipefail
pages=$(cd "${2:-$(dirname "$0")/../golden/report}" && pwd)
out=${1:-$(mktemp -d)}
mkdir -p "$out"
cd "$out"
npm install --silent --no-save --prefix . axe-core puppeteer-core
cat > look.mjs <<'JS'
import { readFileSync, readdirSync } from 'node:fs';
import puppeteer from 'puppeteer-core';
const [, , pages, chromium] = process.argv;
const axe = readFileSync('node_modules/axe-core/axe.min.js', 'utf8');
const browser = await puppeteer.launch({ executablePath: chromium, args: ['--no-sandbox'] });
let wrong = 0;
const say = (...words) => { wrong += 1; console.log(...words); };
for (const name of readdirSync(pages).filter(f => f.endsWith('.html')).map(f => f.slice(0, -5))) {
  const page = await browser.newPage();
  await page.setBypassCSP(true);
  for (const theme of ['light', 'dark']) for (const width of [360, 768, 1200]) {
    await page.setViewport({ width, height: 900 });
    await page.emulateMediaFeatures([{ name: 'prefers-color-scheme', value: theme }]);
    await page.goto(`file://${pages}/${name}.html`);
    await page.screenshot({ path: `${name}-${theme}-${width}.png`, fullPage: true });
    const over = await page.evaluate('document.documentElement.scrollWidth - window.innerWidth');
    if (over > 0) say(name, theme, width, 'scrolls sideways by', over);
    await page.evaluate(axe);
    const { violations } = await page.evaluate('axe.run(document)');
    for (const rule of violations) say(name, theme, width, rule.id, rule.help, rule.nodes[0].html);
  }
  await page.pdf({ path: `${name}.pdf`, preferCSSPageSize: true });
}
await browser.close();
console.log(wrong === 0 ? 'nothing wrong' : `${wrong} wrong`);
process.exitCode = wrong === 0 ? 0 : 1;
JS
node look.mjs "$pages" "$(command -v chromium || command -v chromium-browser)"
echo "pictures in $out"
