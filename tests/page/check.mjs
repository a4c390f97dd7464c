// Checks reports as a reader meets them: valid HTML, no script, no network; on a phone and on a desktop, light and dark,
// structure and contrast by axe-core, nothing wider than the page; and printing.
//
//   node check.mjs [--screens FOLDER] REPORT.html ...
//
// CHROMIUM names the browser [chromium]. The Nu checker runs where Java is; with CI=true it must. Before the reports are
// checked, a spoilt copy of the first shows for each check that it finds what it looks for.

import { execFileSync, spawnSync } from "node:child_process";
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { basename, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { createRequire } from "node:module";
import axe from "axe-core";
import { FileSystemConfigLoader, HtmlValidate } from "html-validate";
import puppeteer from "puppeteer-core";

const WIDTHS = [390, 1280];
const SCHEMES = ["light", "dark"];
const require = createRequire(import.meta.url);

/** Faults of the document as text. */
async function ofText(file) {
  const text = readFileSync(file, "utf8");
  const problems = [];
  const validator = new HtmlValidate(new FileSystemConfigLoader());
  const report = await validator.validateString(text, join(import.meta.dirname ?? ".", basename(file)));
  for (const result of report.results) {
    for (const { ruleId, message, line, column } of result.messages) {
      problems.push(`html-validate: ${ruleId}: ${message} (${line}:${column})`);
    }
  }
  if (/<script/i.test(text)) problems.push("script: there is a script element");
  if (/\son[a-z]+\s*=\s*"/i.test(text.replace(/<title[^>]*>.*?<\/title>/gs, ""))) problems.push("script: there is a handler of events");
  const addresses = [
    ...[...text.matchAll(/\s(?:href|src|srcset|xlink:href|action|data|poster)="([^"]*)"/g)].map((m) => m[1]),
    ...[...text.matchAll(/url\(\s*["']?([^)"']*)/g)].map((m) => m[1]),
    ...[...text.matchAll(/@import[^;]*/g)].map((m) => m[0]),
  ];
  for (const address of addresses) {
    if (!address.startsWith("#") && !address.startsWith("data:")) problems.push(`network: ${address.slice(0, 80)}`);
  }
  return problems;
}

/** Faults that the Nu checker finds. */
function ofNu(files) {
  if (spawnSync("java", ["-version"]).status !== 0) {
    if (process.env.CI === "true") return ["nu: there is no Java to run it"];
    console.log("passed over: the Nu checker, as there is no Java");
    return [];
  }
  const jar = join(require.resolve("vnu-jar/package.json"), "..", "build", "dist", "vnu.jar");
  const run = spawnSync("java", ["-Xss4m", "-jar", jar, "--exit-zero-always", "--format", "json", ...files], { encoding: "utf8" });
  if (run.status !== 0) return [`nu: it did not run: ${run.stderr}`];
  return JSON.parse(run.stderr).messages.map(
    ({ type, subType, message, lastLine, url }) => `nu: ${subType ?? type}: ${message} (${basename(url ?? "")}:${lastLine})`,
  );
}

/** Within the page: what stands wider than it, letters too small or too pale in figures. */
function measure() {
  const problems = [];
  const root = document.documentElement;
  for (const details of document.querySelectorAll("details")) details.open = true;
  if (root.scrollWidth > root.clientWidth) {
    const wide = [...document.querySelectorAll("body *")]
      .filter((one) => one.getBoundingClientRect().right > root.clientWidth + 1 && !one.closest(".scroll, pre"))
      .map((one) => one.tagName.toLowerCase() + (one.id ? `#${one.id}` : ""));
    problems.push(`overflow: the page is ${root.scrollWidth} px wide on ${root.clientWidth}: ${wide.slice(0, 5).join(", ")}`);
  }
  const channels = (colour) => colour.match(/[\d.]+/g).slice(0, 3).map(Number);
  const luminance = (colour) => {
    const [r, g, b] = channels(colour).map((c) => (c / 255 <= 0.04045 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ratio = (one, other) => {
    const [low, high] = [luminance(one), luminance(other)].sort((p, q) => p - q);
    return (high + 0.05) / (low + 0.05);
  };
  for (const text of document.querySelectorAll("svg text")) {
    const svg = text.ownerSVGElement;
    const ground = svg.querySelector(":scope > rect");
    const paper = ground ? getComputedStyle(ground).fill : getComputedStyle(document.body).backgroundColor;
    const contrast = ratio(getComputedStyle(text).fill, paper);
    if (contrast < 4.5) problems.push(`figure: contrast ${contrast.toFixed(2)} of "${text.textContent.trim()}"`);
    const size = parseFloat(getComputedStyle(text).fontSize) * text.getScreenCTM().a;
    if (size < 10) problems.push(`figure: "${text.textContent.trim()}" is ${size.toFixed(1)} px high`);
  }
  return { problems: [...new Set(problems)], paper: luminance(getComputedStyle(document.body).backgroundColor) };
}

/** Faults in a browser at one width and in one scheme. */
async function ofPage(browser, file, width, scheme, screens) {
  const problems = [];
  const page = await browser.newPage();
  page.on("console", (message) => {
    if (message.type() === "error" || message.type() === "warn") problems.push(`console: ${message.text()}`);
  });
  page.on("pageerror", (error) => problems.push(`console: ${error}`));
  await page.setOfflineMode(true);
  await page.setRequestInterception(true);
  page.on("request", (request) => {
    const url = request.url();
    if (url === pathToFileURL(resolve(file)).href || url.startsWith("data:")) {
      request.continue();
    } else {
      problems.push(`network: ${url.slice(0, 80)}`);
      request.abort();
    }
  });
  await page.setViewport({ width, height: 844, deviceScaleFactor: width < 500 ? 2 : 1, isMobile: width < 500 });
  await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
  await page.goto(pathToFileURL(resolve(file)).href, { waitUntil: "load" });
  await page.evaluate(() => document.fonts.ready.then(() => true));
  if (screens) {
    await page.screenshot({ path: join(screens, `${basename(file, ".html")}-${width}-${scheme}.png`), fullPage: true });
  }
  const measured = await page.evaluate(measure);
  problems.push(...measured.problems);
  if (scheme === "dark" ? measured.paper > 0.1 : measured.paper < 0.8) {
    problems.push(`scheme: the page's luminance is ${measured.paper.toFixed(2)} in ${scheme}`);
  }
  await page.evaluate(axe.source);
  const { violations, passes } = await page.evaluate(() =>
    window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }),
  );
  for (const { id, help, nodes } of violations) {
    problems.push(`axe: ${id}: ${help}: ${nodes.slice(0, 3).map((node) => node.html.slice(0, 120)).join(" … ")}`);
  }
  if (!passes.some(({ id }) => id === "color-contrast")) problems.push("axe: contrast was not looked at");
  await page.close();
  return problems.map((problem) => `${width} px, ${scheme}: ${problem}`);
}

/** Faults in print. */
async function ofPrint(browser, file, screens) {
  const page = await browser.newPage();
  await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: "dark" }]);
  await page.goto(pathToFileURL(resolve(file)).href, { waitUntil: "load" });
  const problems = [];
  await page.emulateMediaType("print");
  const [ground, ink] = await page.evaluate(() => {
    const { backgroundColor, color } = getComputedStyle(document.body);
    return [backgroundColor, color];
  });
  if (ground !== "rgb(255, 255, 255)" || ink !== "rgb(0, 0, 0)") problems.push(`print: ${ink} on ${ground}`);
  const pdf = Buffer.from(await page.pdf({ format: "A4", preferCSSPageSize: true, printBackground: false }));
  const pages = (pdf.toString("latin1").match(/\/Type\s*\/Page\b/g) ?? []).length;
  if (!pdf.subarray(0, 5).equals(Buffer.from("%PDF-")) || pages < 2 || pages > 40) problems.push(`print: ${pages} pages`);
  if (screens) writeFileSync(join(screens, `${basename(file, ".html")}.pdf`), pdf);
  await page.close();
  return problems;
}

/** For each check, a fault put into the report must be found by it. */
async function canFail(browser, file, folder) {
  const text = readFileSync(file, "utf8");
  const into = (what) => text.replace("</main>", `${what}</main>`);
  const spoilt = [
    ["html-validate: ", into("<p><div>x</p></div>"), ofText],
    ["script: ", into("<script>1</script>"), ofText],
    ["network: ", into('<p><img alt="x" src="http://127.0.0.1/x.png"></p>'), ofText],
    ["overflow: ", into(`<p>${"x".repeat(400)}</p>`).replace("overflow-wrap:anywhere", "overflow-wrap:normal"), phone],
    ["axe: image-alt", into('<p><img src="data:image/png;base64,AAAA"></p>'), phone],
    ["axe: color-contrast", text.replaceAll("--muted:#555A60", "--muted:#AAAAAA"), phone],
    ["figure: contrast", text.replaceAll("--b-text:#A84900", "--b-text:#F0E442"), phone],
    ["console: ", into('<p><img alt="x" src="http://127.0.0.1/x.png"></p>'), phone],
  ];
  function phone(path) {
    return ofPage(browser, path, 390, "light");
  }
  const missed = [];
  for (const [wanted, changed, check] of spoilt) {
    if (changed === text) missed.push(`${wanted}: the report has nothing to spoil`);
    const path = join(folder, "spoilt.html");
    writeFileSync(path, changed);
    const found = await check(path);
    if (!found.some((problem) => problem.includes(wanted))) missed.push(`the check can't fail: ${wanted}\n  ${found.join("\n  ")}`);
  }
  return missed;
}

const words = process.argv.slice(2);
let screens;
if (words[0] === "--screens") {
  screens = words[1];
  words.splice(0, 2);
  mkdirSync(screens, { recursive: true });
}
if (words.length === 0) {
  console.error("usage: node check.mjs [--screens FOLDER] REPORT.html ...");
  process.exit(2);
}
const folder = mkdtempSync(join(tmpdir(), "page-"));
const browser = await puppeteer.launch({
  executablePath: process.env.CHROMIUM ?? execFileSync("which", ["chromium"], { encoding: "utf8" }).trim(),
  args: ["--no-sandbox", "--disable-dev-shm-usage"],
});
let failed = 0;
try {
  const missed = await canFail(browser, words[0], folder);
  failed += missed.length;
  for (const problem of missed) console.error(problem);
  const nu = ofNu(words);
  failed += nu.length;
  for (const problem of nu) console.error(problem);
  for (const file of words) {
    const problems = [...(await ofText(file))];
    for (const width of WIDTHS) {
      for (const scheme of SCHEMES) problems.push(...(await ofPage(browser, file, width, scheme, screens)));
    }
    problems.push(...(await ofPrint(browser, file, screens)));
    failed += problems.length;
    console.log(`${basename(file)}: ${problems.length === 0 ? "sound" : `${problems.length} fault(s)`}`);
    for (const problem of problems) console.error(`  ${problem}`);
  }
} finally {
  await browser.close();
  rmSync(folder, { recursive: true });
}
process.exit(failed === 0 ? 0 : 1);
