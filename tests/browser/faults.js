// What is wrong with the page that is open: too small to hit, too faint to read, wider than the screen, a field without a name.
// The body of a function; gives lines of text, none where all is well. Ratios by WCAG 2.2, "contrast ratio".
const faults = [];
const shown = (e) => e.offsetParent !== null && getComputedStyle(e).visibility !== "hidden";
if (document.documentElement.scrollWidth > innerWidth) {
  const beyond = [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1);
  const scrolls = (e) => e && (getComputedStyle(e).overflowX === "auto" || scrolls(e.parentElement));
  const own = beyond.filter((e) => !scrolls(e.parentElement)).map((e) => e.outerHTML.slice(0, 120));
  faults.push(`wider than the screen: ${document.documentElement.scrollWidth}: ${own.join(" | ")}`);
}
for (const e of document.querySelectorAll("a.button, a.next, a.home, button, input:not([type=hidden]), select, textarea, summary")) {
  if (!shown(e)) continue;
  const box = (e.type === "checkbox" || e.type === "radio" ? e.closest("label") : e).getBoundingClientRect();
  if (box.height < 47.5 || box.width < 47.5) faults.push(`small: ${e.outerHTML.slice(0, 80)} ${box.width}x${box.height}`);
}
const numbers = (c) => c.match(/[\d.]+/g).map(Number);
const light = (c) => c.slice(0, 3).map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
  .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
const behind = (e) => {
  for (; e; e = e.parentElement) {
    const c = numbers(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] === 1) return c;
  }
  return [255, 255, 255];
};
// A drawing has a scale of its own.
const height = (e) => parseFloat(getComputedStyle(e).fontSize) * (e.ownerSVGElement ? e.getScreenCTM().a : 1);
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const e = walker.currentNode.parentElement;
  if (!walker.currentNode.data.trim() || e.tagName === "title" || e.tagName === "desc" || !(e.ownerSVGElement || shown(e))) continue;
  const [a, b] = [light(numbers(e.ownerSVGElement ? getComputedStyle(e).fill : getComputedStyle(e).color)), light(behind(e))].sort((x, y) => y - x);
  const ratio = (a + 0.05) / (b + 0.05);
  if (ratio < 7) faults.push(`faint: ${walker.currentNode.data.trim().slice(0, 40)} ${ratio.toFixed(1)}`);
  if (height(e) < 13.9) faults.push(`tiny: ${walker.currentNode.data.trim().slice(0, 40)}`);
}
for (const e of document.querySelectorAll("input:not([type=hidden]), select, textarea")) {
  if (!e.closest("label")) faults.push(`without a name: ${e.outerHTML.slice(0, 80)}`);
}
return [...new Set(faults)].join("\n");
