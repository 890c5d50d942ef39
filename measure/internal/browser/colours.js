(() => {
  const parts = text => {
    const m = /rgba?\(([^)]+)\)/.exec(text);
    if (!m) return null;
    const v = m[1].split(/[\s,/]+/).map(Number);
    return [v[0], v[1], v[2], v.length > 3 ? v[3] : 1];
  };
  const over = (a, b) => [0, 1, 2].map(i => a[i] * a[3] + b[i] * (1 - a[3])).concat(1);
  // The relative luminance and the contrast ratio of WCAG 2.2.
  const luminance = c => [0.2126, 0.7152, 0.0722].reduce((sum, weight, i) => {
    const s = c[i] / 255;
    return sum + weight * (s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4);
  }, 0);
  const ratio = (a, b) => {
    const x = luminance(a), y = luminance(b);
    return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05);
  };
  const style = (e, part) => getComputedStyle(e, part);
  const behind = e => {
    const layers = [];
    for (; e; e = e.parentElement) layers.push(parts(style(e).backgroundColor));
    return layers.reverse().reduce((under, c) => over(c, under), [255, 255, 255, 1]);
  };
  const shown = e => e.checkVisibility({ contentVisibilityAuto: true, opacityProperty: true }) && e.getClientRects().length > 0;
  const out = { Paper: "", Weak: [], Text: 0, Graphics: 0 };
  const judge = (what, colour, under, least) => {
    const c = parts(colour);
    out[least === 3 ? "Graphics" : "Text"]++;
    if (!c || ratio(over(c, under), under) < least) out.Weak.push(`${what}: ${colour} on ${under.slice(0, 3)}`);
  };
  const papers = new Set([style(document.body).backgroundColor]);
  for (const e of document.body.querySelectorAll("*")) {
    if (e.closest("svg") || e.closest(":disabled") || e.closest("script") || !shown(e)) continue; // what cannot be used may be faint
    const s = style(e), name = `${e.tagName} ${e.className} ${e.textContent.slice(0, 30)}`;
    if ([...e.childNodes].some(n => n.nodeType === 3 && n.data.trim())) judge(name, s.color, behind(e), 4.5);
    if (e.tagName !== "INPUT" && style(e, "::before").content.length > 2) judge(name + " ::before", style(e, "::before").color, behind(e), 4.5);
    if (e.matches("button, select, .answer, .care, #result") && parseFloat(s.borderLeftWidth) > 0) judge(name + ", border", s.borderLeftColor, behind(e.parentElement), 3);
  }
  for (const svg of document.querySelectorAll("svg")) {
    if (!shown(svg)) continue;
    const paper = parts(style(svg.querySelector(":scope > .p")).fill), title = svg.querySelector("title").textContent;
    papers.add(style(svg.querySelector(":scope > .p")).fill);
    // Lines cross bands and shaded stretches.
    const under = [paper, ...["b", "w"].flatMap(c => { const e = svg.querySelector("." + c); return e ? [over(parts(style(e).fill), paper)] : []; })];
    for (const e of svg.querySelectorAll("text")) judge(`${title}: ${e.textContent}`, style(e).fill, paper, 4.5);
    for (const e of svg.querySelectorAll("path, circle, rect")) {
      const is = c => e.classList.contains(c), s = style(e), name = `${title}: ${e.tagName} ${e.getAttribute("class")}`;
      if (e.closest("clipPath") || is("p") || is("g") || is("w") && !is("we")) continue;
      if (parts(s.fill) && !is("b") && !is("w")) for (const u of under) judge(name + ", fill", s.fill, u, 3);
      if (parts(s.stroke)) for (const u of is("b") || is("we") || is("ax") ? [paper] : under) judge(name + ", line", s.stroke, u, 3);
    }
  }
  out.Paper = [...papers].join(" ");
  out.Weak = [...new Set(out.Weak)];
  return out;
})()
