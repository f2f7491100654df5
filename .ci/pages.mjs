// Opens every kind of page that assize makes in Debian's Chromium, on screens and as a print, and fails on whatever a
// reader would stumble over. Used as: node .ci/pages.mjs [FILE.html…]; without files it makes the pages itself, and first
// proves on spoiled pages that it would notice.
import { spawnSync } from "node:child_process";
import fs from "node:fs";
import { createRequire } from "node:module";
import os from "node:os";
import path from "node:path";
import { pathToFileURL } from "node:url";

const project = path.resolve(import.meta.dirname ?? path.dirname(new URL(import.meta.url).pathname), "..");
// Where .ci/run has installed .ci/pages/package.json.
const require = createRequire(path.join(project, "target/pages/package.json"));
const puppeteer = require("puppeteer-core");
const axe = fs.readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const chromium = process.env.CHROMIUM ?? "/usr/bin/chromium";
const out = path.join(project, "target/pages/out");
const SIDE_BY_SIDE = Math.max(1, Math.min(2, os.cpus().length));

// What is opened: a name, what makes assize write it to FILE, how many bytes and printed pages it may have. One line each.
const DEMO = "demo-data/bench-faulty";
const PAGES = [
  ["demo-faulty", `judge ${DEMO}/session.yaml --exit-zero --json /dev/null --sheet FILE`, 1_500_000],
  ["demo-sound", "judge demo-data/bench-sound/session.yaml --json /dev/null --sheet FILE", 1_500_000],
  ["compared", `judge --unit ${DEMO}/unit-021.fit --reference ${DEMO}/pedals-p.fit --json /dev/null --sheet FILE`],
  ["trials", "rehearse protocols/short-check.yaml --trials 6 --fault gain=2 --fault gain=4 --want gain=4 --html FILE"],
  ["side-by-side", "compare SEASON --html FILE"],
  ["run-sheet", `brief protocols/bench-both-rings.yaml --session ${DEMO}/session.yaml --threshold 250W --html FILE`, 200_000, 2],
  ["run-sheet-road", "brief protocols/road-climbs.yaml --html FILE", 200_000, 2],
  ["run-sheet-rig", "brief protocols/rig-ramp-and-loads.yaml --html FILE", 200_000, 2],
];
// Sheets with every outcome, and one whose labels are as hostile as can be.
const EXAMPLES = ["test", "--locked", "--lib", "writes_the_example", "--", "--ignored"];

// How each is looked at. `axe` asks for the rules of accessibility, `open` opens what is folded.
const SCREENS = [
  { name: "desktop", width: 1280, height: 900, axe: true, open: true },
  { name: "desktop, dark", width: 1280, height: 900, dark: true, axe: true, open: true },
  { name: "phone", width: 390, height: 844, touch: true, axe: true, open: true },
  { name: "narrow phone", width: 320, height: 640, touch: true },
  { name: "wide", width: 1920, height: 1080 },
];
const PAPERS = [
  { name: "A4", format: "a4", width_mm: 210 },
  { name: "Letter", format: "letter", width_mm: 215.9 },
];
const AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];

// Runs in the page: what overflows, is clipped or overlaps. `print`: what scrolls on a screen is cut off on paper.
function faultsOfLayout(print) {
  const faults = [];
  const told = (text) => JSON.stringify(text.trim().replace(/\s+/g, " ").slice(0, 60));
  const root = document.documentElement;
  if (root.scrollWidth > root.clientWidth + 1) {
    const wide = [...document.querySelectorAll("body *")].filter(
      (e) => e.getBoundingClientRect().right > root.clientWidth + 1,
    );
    const names = wide.slice(0, 3).map((e) => `<${e.localName} class="${e.getAttribute("class") ?? ""}">`);
    faults.push(["overflow", `the page is ${root.scrollWidth} px wide on ${root.clientWidth} px: ${names.join(", ")}`]);
  }
  const frames = new Map();
  const cuts = (value) => value === "hidden" || value === "clip" || (print && (value === "auto" || value === "scroll"));
  const scrolls = (value) => value === "auto" || value === "scroll";
  // The box of each ancestor that cuts text off, or lets it be scrolled to; null for text that nobody sees.
  const framesOf = (element) => {
    if (element === null) return [];
    if (frames.has(element)) return frames.get(element);
    const above = framesOf(element.parentElement);
    const style = getComputedStyle(element);
    const box = element.getBoundingClientRect();
    const overflows = [style.overflowX, style.overflowY];
    let own = above;
    if (above === null || style.clipPath.startsWith("inset") || !element.checkVisibility({ visibilityProperty: true }))
      own = null;
    else if (element.localName === "svg" || overflows.some(cuts)) own = [...above, { box, scrolled: false }];
    else if (overflows.some(scrolls)) own = [...above, { box, scrolled: true }];
    frames.set(element, own);
    return own;
  };
  const pieces = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const parent = node.parentElement;
    if (!node.data.trim() || ["STYLE", "SCRIPT", "title", "desc", "TITLE"].includes(parent.tagName)) continue;
    const around = framesOf(parent);
    if (around === null) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const size = parseFloat(getComputedStyle(parent).fontSize);
    for (const box of range.getClientRects()) {
      if (box.width < 1 || box.height < 1) continue;
      // The innermost that it leaves: what is scrolled away can't be cut off farther out.
      const off = around.findLast(
        ({ box: frame }) =>
          box.right > frame.right + 1.5 ||
          box.left < frame.left - 1.5 ||
          box.bottom > frame.bottom + size ||
          box.top < frame.top - size,
      );
      if (off && !off.scrolled) faults.push(["clipped", `${told(node.data)} is cut off`]);
      if (off) continue;
      // A line box is higher than its letters.
      const slack = box.height * 0.22;
      pieces.push({
        node,
        left: box.left + 1,
        right: box.right - 1,
        top: box.top + slack,
        bottom: box.bottom - slack,
      });
    }
  }
  pieces.sort((a, b) => a.top - b.top);
  for (let i = 0; i < pieces.length; i++) {
    const a = pieces[i];
    for (let j = i + 1; j < pieces.length && pieces[j].top < a.bottom; j++) {
      const b = pieces[j];
      const width = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const height = Math.min(a.bottom, b.bottom) - b.top;
      if (a.node !== b.node && width > 1.5 && height > 1.5) {
        faults.push(["overlap", `${told(a.node.data)} and ${told(b.node.data)} lie over each other`]);
      }
    }
  }
  return faults;
}

// Opens one file in a page of its own; whatever it says or asks for is a fault.
async function opened(browser, file, viewport, look) {
  const page = await browser.newPage();
  const faults = [];
  const url = pathToFileURL(file).href;
  page.on("console", (message) => {
    if (["error", "warn", "warning", "assert"].includes(message.type())) faults.push(["console", message.text()]);
  });
  page.on("pageerror", (error) => faults.push(["console", String(error)]));
  page.on("request", (request) => {
    if (request.url() !== url) faults.push(["request", request.url().slice(0, 200)]);
  });
  try {
    await page.setViewport(viewport);
    await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: viewport.dark ? "dark" : "light" }]);
    await page.goto(url, { waitUntil: "load" });
    faults.push(...(await look(page)));
  } finally {
    await page.close();
  }
  return faults;
}

async function onScreen(browser, file, screen) {
  const { width, height, touch, dark } = screen;
  return opened(
    browser,
    file,
    { width, height, dark, isMobile: !!touch, hasTouch: !!touch, deviceScaleFactor: touch ? 2 : 1 },
    async (page) => {
      const faults = [];
      const policy = await page.evaluate(
        () => document.querySelector('meta[http-equiv="Content-Security-Policy" i]')?.content ?? "",
      );
      if (!policy.includes("default-src 'none'"))
        faults.push(["policy", `no content security policy that loads nothing: ${policy || "none"}`]);
      if (screen.open) await page.evaluate(() => document.querySelectorAll("details").forEach((d) => (d.open = true)));
      faults.push(...(await page.evaluate(faultsOfLayout, false)));
      if (screen.axe) {
        await page.evaluate(axe);
        const found = await page.evaluate(
          (values) =>
            window.axe.run(document, { runOnly: { type: "tag", values }, resultTypes: ["violations"], preload: false }),
          AXE_TAGS,
        );
        for (const { id, help, nodes } of found.violations) {
          faults.push([
            "axe",
            `${id}: ${help}; ${nodes.length} times, first ${nodes[0].html.slice(0, 160)} (${nodes[0].failureSummary.split("\n")[1]?.trim() ?? ""})`,
          ]);
        }
      }
      return faults;
    },
  );
}

function words(program, args) {
  const ran = spawnSync(program, args, { encoding: "utf8", maxBuffer: 1 << 28 });
  if (ran.status !== 0) throw new Error(`${program} ${args.join(" ")}: ${ran.error ?? ran.stderr}`);
  return ran.stdout;
}

const plain = (text) => text.normalize("NFKC").replace(/\s+/g, " ").trim();

async function onPaper(browser, file, paper, saved, most) {
  // Margins of 14 mm to the left and to the right; a millimetre has 96/25.4 pixels.
  const width = Math.round(((paper.width_mm - 28) * 96) / 25.4);
  return opened(browser, file, { width, height: 1000 }, async (page) => {
    await page.emulateMediaType("print");
    const faults = await page.evaluate(faultsOfLayout, true);
    // A heading with nothing to see after it in its box has nothing to stand above.
    const headings = await page.evaluate(() => {
      const seen = (element) =>
        element.checkVisibility() &&
        (element.innerText?.trim() || element.querySelector("svg") || element.localName === "svg");
      const follows = (element) => element !== null && (seen(element) || follows(element.nextElementSibling));
      return [...document.querySelectorAll("h1,h2,h3,h4,caption,figcaption,summary,.keys")]
        .filter((heading) => follows(heading.nextElementSibling))
        .map((heading) => heading.innerText);
    });
    await page.pdf({ path: saved, format: paper.format, printBackground: true });
    const pages = Number(/Pages:\s+(\d+)/.exec(words("pdfinfo", [saved]))[1]);
    if (most && pages > most) faults.push(["pages", `${pages} printed pages, ${most} allowed`]);
    // Shrunk text is told by the page's width, so the paper must be what was asked for.
    const size = /Page size:\s+([\d.]+) x/.exec(words("pdfinfo", [saved]))[1];
    if (Math.abs(size - (paper.width_mm / 25.4) * 72) > 2)
      faults.push(["paper", `the paper is ${size} points wide, not ${paper.name}`]);
    const texts = words("pdftotext", ["-layout", saved, "-"]).split("\f").slice(0, pages);
    const isHeading = new Set(headings.map(plain).filter(Boolean));
    texts.forEach((text, i) => {
      const lines = text.split("\n").filter((line) => line.trim());
      const number = `page ${i + 1} of ${pages}`;
      if (!lines.some((line) => plain(line).toLowerCase().includes(number)))
        faults.push(["number", `page ${i + 1} does not say "${number}"`]);
      // Running lines stand at the top and at the bottom of the first page too, so they are known.
      const running = lines.length > 1 && plain(lines.at(-1)).toLowerCase().includes(number) ? 1 : 0;
      const body = lines.slice(1, lines.length - running);
      if (body.length === 0) faults.push(["blank", `page ${i + 1} is blank`]);
      else if (i + 1 < pages && isHeading.has(plain(body.at(-1))))
        faults.push(["heading", `page ${i + 1} ends with the heading ${JSON.stringify(plain(body.at(-1)))}`]);
    });
    return faults;
  });
}

async function looked(browser, { name, file, bytes, most }) {
  const faults = [];
  const note = (where) => (found) => faults.push(...found.map(([kind, text]) => ({ name, where, kind, text })));
  const size = fs.statSync(file).size;
  if (bytes && size > bytes) note("file")([["size", `${size} bytes, ${bytes} allowed`]]);
  for (const screen of SCREENS) note(screen.name)(await onScreen(browser, file, screen));
  for (const paper of PAPERS)
    note(paper.name)(await onPaper(browser, file, paper, path.join(out, `${name}-${paper.format}.pdf`), most));
  return faults;
}

// Two pages at a time: Chromium has a process for each.
async function all(browser, pages) {
  const faults = [];
  const queue = [...pages];
  const work = async () => {
    for (let page = queue.shift(); page; page = queue.shift()) {
      const from = Date.now();
      const found = await looked(browser, page);
      console.log(`${found.length ? "FAULTY" : "good  "} ${page.name} (${((Date.now() - from) / 1000).toFixed(1)} s)`);
      faults.push(...found);
    }
  };
  await Promise.all(Array.from({ length: SIDE_BY_SIDE }, work));
  return faults;
}

const POLICY = `<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">`;
const NUMBERS = `@page{margin:15mm 14mm;@top-left{content:"Running"}@bottom-right{content:"Page " counter(page) " of " counter(pages)}}`;
const fine = ({ head = "", style = "", body = "", policy = POLICY, numbers = NUMBERS }) =>
  `<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">${policy}<title>Spoiled</title>${head}<style>${numbers}${style}</style></head><body><main><h1>Title</h1><p>Words.</p>${body}</main></body></html>`;

// Spoiled pages, each with the kind of fault that must be found; the first has none.
const SPOILED = [
  [null, fine({})],
  ["console", fine({ policy: "", body: "<script>throw new Error('broken')</script>" })],
  ["console", fine({ body: "<script>document.title = 'stopped by the policy'</script>" })],
  ["request", fine({ policy: "", body: `<img alt="outside" src="http://outside.invalid/a.png">` })],
  ["policy", fine({ policy: "" })],
  ["overflow", fine({ body: `<p style="width:2500px">Wide.</p>` })],
  ["axe", fine({ body: `<p style="color:#999;background:#fff">Pale.</p>` })],
  ["axe", fine({ style: "@media (prefers-color-scheme:dark){p{background:#111;color:#333}}" })],
  [
    "clipped",
    fine({ body: `<p style="width:60px;overflow:hidden;white-space:nowrap">Much too long for so little room</p>` }),
  ],
  [
    "clipped",
    fine({
      body: `<svg role="img" aria-label="chart" width="80" height="30"><text x="40" y="20">beyond the edge</text></svg>`,
    }),
  ],
  [
    null,
    fine({
      body: `<div tabindex="0" style="height:4rem;overflow:auto">${"<p>One of many.</p>".repeat(9)}</div><p>After.</p>`,
      style: "@media print{div{height:auto!important}}",
    }),
  ],
  [
    "clipped",
    fine({ body: `<div tabindex="0" style="height:4rem;overflow:auto">${"<p>One of many.</p>".repeat(9)}</div>` }),
  ],
  ["overlap", fine({ body: `<p>One line of words.</p><p style="margin-top:-2.6rem">Another line of words.</p>` })],
  ["number", fine({ numbers: "" })],
  ["blank", fine({ body: `<div style="break-before:page"></div><p style="break-before:page">Last.</p>` })],
  ["heading", fine({ body: `<div style="height:1rem"></div><h2 style="break-after:page">Alone</h2><p>Last.</p>` })],
];

async function provesItself(browser) {
  const pages = SPOILED.map(([kind, html], i) => {
    const file = path.join(out, `spoiled-${i}.html`);
    fs.writeFileSync(file, html);
    return { kind, name: `spoiled-${i}`, file };
  });
  pages.push({ ...pages[0], kind: "size", bytes: 10 });
  const long = path.join(out, "spoiled-long.html");
  fs.writeFileSync(long, fine({ body: `<p style="break-before:page">Second.</p>` }));
  pages.push({ kind: "pages", name: "spoiled-long", file: long, most: 1 });
  for (const page of pages) {
    const found = await looked(browser, page);
    const kinds = new Set(found.map((fault) => fault.kind));
    if (page.kind ? !kinds.has(page.kind) : kinds.size) {
      throw new Error(`${page.file}: expected ${page.kind ?? "no fault"}, found ${JSON.stringify(found)}`);
    }
  }
  console.log(`${pages.length} spoiled pages were told from a good one`);
}

// The verdicts of the worked example, judged here: they are not kept with the project.
function season(program) {
  const folder = path.join(project, "demo-data/five-specimens");
  const sessions = fs.readdirSync(folder).sort().map((name) => path.join(folder, name, "session.yaml"));
  return sessions.filter(fs.existsSync).map((session, i) => {
    const verdict = path.join(out, `season-${i}.json`);
    const args = ["judge", session, "--exit-zero", "--json", verdict, "--sheet", "/dev/null"];
    const ran = spawnSync(program, args, { cwd: project, encoding: "utf8" });
    if (ran.status !== 0) throw new Error(`${session}: ${ran.error ?? ran.stderr}`);
    return verdict;
  });
}

function made() {
  const program = process.env.ASSIZE ?? path.join(project, "target/release/assize");
  const pages = PAGES.map(([name, command, bytes, most]) => {
    const file = path.join(out, `${name}.html`);
    const args = command.split(" ").flatMap((arg) => (arg === "FILE" ? file : arg === "SEASON" ? season(program) : arg));
    const ran = spawnSync(program, args, { cwd: project, encoding: "utf8" });
    if (ran.status !== 0) throw new Error(`${name}: ${command}: ${ran.error ?? ran.stderr}`);
    return { name, file, bytes, most };
  });
  const examples = path.join(out, "examples");
  fs.mkdirSync(examples);
  const ran = spawnSync("cargo", EXAMPLES, {
    cwd: project,
    encoding: "utf8",
    env: { ...process.env, ASSIZE_SHEETS: examples },
  });
  if (ran.status !== 0) throw new Error(`the example sheets: ${ran.error ?? ran.stderr}`);
  const files = fs.readdirSync(examples).sort();
  if (!files.includes("hostile.html")) throw new Error(`no hostile sheet among ${files.join(", ")}`);
  return [
    ...pages,
    ...files.map((file) => ({ name: `example-${path.parse(file).name}`, file: path.join(examples, file) })),
  ];
}

const given = process.argv.slice(2);
fs.rmSync(out, { recursive: true, force: true });
fs.mkdirSync(out, { recursive: true });
const browser = await puppeteer.launch({
  executablePath: chromium,
  // The sandbox needs a user of its own; the pages are ours.
  args: ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars", "--force-color-profile=srgb"],
});
try {
  if (!given.length) await provesItself(browser);
  const pages = given.length
    ? given.map((file) => ({ name: path.parse(file).name, file: path.resolve(file) }))
    : made();
  const faults = await all(browser, pages);
  const seen = new Map();
  for (const { name, where, kind, text } of faults) {
    const key = `${name}: ${kind}: ${text}`;
    seen.set(key, [...(seen.get(key) ?? []), where]);
  }
  for (const [key, where] of seen) console.error(`${key} [${[...new Set(where)].join(", ")}]`);
  if (faults.length) process.exitCode = 1;
} finally {
  await browser.close();
}
