// A walk in a gamut. It talks to whatever has `ask(asked)` and calls back with the answer: a
// kernel, or the tables of a page that stands alone.
const STYLE = `
.smw{--ink:#1b1b1b;--quiet:#5a564e;--line:#b9b4a8;--mark:#8a3b12;--paper:#fbfaf7;
font:14px/1.4 system-ui,sans-serif;color:var(--ink);background:var(--paper);padding:12px;
border:1px solid var(--line);border-radius:6px;display:flex;flex-wrap:wrap;gap:16px;
max-width:900px;box-sizing:border-box}
@media(prefers-color-scheme:dark){.smw{--ink:#e8e5de;--quiet:#b0aba0;--line:#5c584f;--mark:#f0a070;
--paper:#1f1e1c}}
[data-jp-theme-light=true] .smw,[data-theme=light] .smw{--ink:#1b1b1b;--quiet:#5a564e;
--line:#b9b4a8;--mark:#8a3b12;--paper:#fbfaf7}
[data-jp-theme-light=false] .smw,[data-theme=dark] .smw{--ink:#e8e5de;--quiet:#b0aba0;
--line:#5c584f;--mark:#f0a070;--paper:#1f1e1c}
.smw canvas{width:100%;max-width:420px;touch-action:none;cursor:crosshair;display:block}
.smw .plane{flex:1 1 300px;min-width:0}
.smw .told{flex:1 1 260px;min-width:0}
.smw label{display:grid;grid-template-columns:7.5em 1fr 4.5em;gap:8px;align-items:center;margin:4px 0}
.smw input{width:100%;accent-color:var(--mark)}
.smw .pair{display:flex;height:84px;border:1px solid var(--line);margin-bottom:2px}
.smw .pair div{flex:1;position:relative}
.smw .pair svg{position:absolute;right:0;bottom:0}
.smw .codes{display:flex;font-size:12px;color:var(--quiet)}.smw .codes div{flex:1}
.smw b{font-weight:600}.smw p{margin:7px 0}.smw .small{font-size:12px;color:var(--quiet)}
.smw table{border-collapse:collapse;color:inherit;margin:4px 0}
.smw td{padding:1px 8px 1px 0;border:0;text-align:left}
`;
const MARK = '<svg width="18" height="18" viewBox="0 0 12 12"><path d="M12 0V12H0Z" fill="#fff"/>' +
  '<path d="M12 2.2L2.2 12M12 6L6 12M12 9.8L9.8 12" stroke="#000" stroke-width="1.4"/></svg>';
const CONTROLS = [
  ["lightness", "lightness L*", 10, 95, 5, v => v],
  ["thickness", "thickness", 0.5, 4, 0.5, v => v + " cm"],
  ["white", "white base", 0, 100, 5, v => v + " %"],
  ["batch", "batch", 100, 2000, 100, v => v + " g"],
];

export function walk(el, start, ask, choices = {}) {
  const at = {...start};
  const root = document.createElement("div");
  root.className = "smw";
  root.innerHTML = `<style>${STYLE}</style><div class="plane"><canvas width="420" height="420"
    tabindex="0" role="img" aria-label="a cut through the colours that can be made"></canvas>
    <div class="small">Click or drag on a colour. a* runs from green to red, b* up from blue to
    yellow. <span style="white-space:nowrap">Hatched: outside sRGB, nearest shown.</span></div>
    <form></form></div><div class="told" aria-live="polite">one moment</div>`;
  el.appendChild(root);
  const canvas = root.querySelector("canvas"), told = root.querySelector(".told");
  const form = root.querySelector("form");
  let cut = null, number = 0, rest = 0, asking = false, waiting = null;
  for (const [name, words, low, high, step, say] of CONTROLS) {
    const row = document.createElement("label"), few = choices[name];
    row.innerHTML = `<span>${words}</span><input type="range"><output></output>`;
    const [, input, output] = row.children;
    Object.assign(input, few ? {min: 0, max: few.length - 1, step: 1} : {min: low, max: high, step});
    input.value = few ? few.indexOf(at[name]) : at[name];
    output.textContent = say(at[name]);
    input.addEventListener("input", () => {
      at[name] = few ? few[+input.value] : +input.value;
      output.textContent = say(at[name]);
      moved(name !== "batch");
    });
    if (!few || few.length > 1) form.appendChild(row);
  }
  const low = -112, wide = 232;
  const place = (a, b) => [(a - low) / wide * 420, 420 - (b - low) / wide * 420];
  function draw() {
    const pen = canvas.getContext("2d");
    const ink = getComputedStyle(root).color;
    pen.clearRect(0, 0, 420, 420);
    if (cut) {
      const side = cut.step / wide * 420;
      cut.rgb.forEach((rgb, i) => {
        if (!cut.made[i]) return;
        const [x, y] = place(cut.left + cut.step * (i % cut.columns),
          cut.foot + cut.step * Math.floor(i / cut.columns));
        pen.fillStyle = `rgb(${rgb})`;
        pen.fillRect(x - side / 2, y - side / 2, side + 0.6, side + 0.6);
        if (!cut.shown[i]) {
          pen.strokeStyle = "#000a"; pen.lineWidth = 0.8; pen.beginPath();
          pen.moveTo(x - side / 2, y + side / 2); pen.lineTo(x + side / 2, y - side / 2);
          pen.stroke();
        }
      });
    }
    pen.strokeStyle = ink; pen.fillStyle = ink; pen.globalAlpha = 0.5; pen.lineWidth = 0.7;
    const [x0, y0] = place(0, 0);
    pen.strokeRect(0.5, 0.5, 419, 419);
    pen.beginPath(); pen.moveTo(x0, 0); pen.lineTo(x0, 420); pen.moveTo(0, y0); pen.lineTo(420, y0);
    pen.stroke(); pen.globalAlpha = 1; pen.font = "13px system-ui,sans-serif";
    for (const v of [-100, -50, 50, 100]) {
      pen.fillText(v, place(v, 0)[0] - 10, y0 + 14); pen.fillText(v, x0 + 4, place(0, v)[1] + 4);
    }
    pen.fillText("a*", 402, y0 - 5); pen.fillText("b*", x0 + 5, 14);
    const [x, y] = place(at.a, at.b);
    for (const [width, colour] of [[4, "#fff"], [2, "#000"]]) {
      pen.lineWidth = width; pen.strokeStyle = colour;
      pen.beginPath(); pen.arc(x, y, 7, 0, 7); pen.stroke();
    }
  }
  const clean = words => String(words).replace(/[&<>"]/g, c => `&#${c.charCodeAt(0)};`);
  function tell(r) {
    const most = Math.max(...r.doses.map(d => d[1]), 1);
    const doses = r.doses.map(([n, d]) => `<tr><td style="text-align:right"><b>${+d.toFixed(3)}
      ${clean(r.unit)}</b></td><td>${clean(n)}</td><td><div style="height:9px;
      background:var(--mark);width:${90 * d / most}px"></div></td></tr>`).join("");
    const scale = v => 6 + 168 * Math.sqrt(Math.min(v, 10) / 10);
    const ticks = [0, 1, 2, 5, 10].map(v => `<path d="M${scale(v)} 14v4" stroke="currentColor"/>
      <text x="${scale(v)}" y="30" font-size="12" text-anchor="middle" fill="currentColor">${v}
      </text>`).join("");
    const band = r.p90 === undefined ? "" : `<rect x="${scale(0)}" y="10" height="8"
      width="${scale(r.p90) - scale(0)}" fill="var(--mark)" opacity=".35"/>`;
    told.innerHTML = `<div class="pair"><div style="background:${clean(r.wanted)}">
      ${r.wanted_shown ? "" : MARK}</div><div style="background:${clean(r.hex)}">
      ${r.shown ? "" : MARK}</div></div><div class="codes"><div>wanted ${clean(r.wanted)}</div>
      <div>nearest ${clean(r.hex)}</div></div><p><b>CIEDE2000 ${r.delta_e.toFixed(2)}</b></p>
      <svg width="184" height="34" role="img" aria-label="CIEDE2000 ${r.delta_e.toFixed(2)}">
      <path d="M6 14H174" stroke="currentColor"/>${band}${ticks}
      <path d="M${scale(r.delta_e) - 5} 4h10l-5 9Z" fill="var(--mark)"/></svg>
      <table>${doses || "<tr><td>no paste at all</td></tr>"}</table><p>into ${clean(r.base)}</p>
      <p>${clean(r.held)}</p>${r.proof ? `<p class="small">Proof: ${clean(r.proof)}.` +
      (r.p90 === undefined ? "" : ` With slips of ruler and scale half of all batches come within
      ${r.median.toFixed(1)}, nine in ten within ${r.p90.toFixed(1)}.`) + "</p>"
      : '<p class="small">Not proved yet.</p>'}<p class="small">Cautions: hot base burns; alcohol
      spray is flammable; only colourants allowed for cosmetics; no powder dust; local rules first.
      </p>`;
  }
  // One question at a time; while it is out only the newest of the next is kept.
  function send(asked) {
    if (asking) { waiting = {...asked, cut: asked.cut || (waiting && waiting.cut)}; return; }
    asking = true;
    ask(asked);
  }
  function answered(answer) {
    asking = false;
    if (answer.cut) cut = answer.cut;
    if (answer.recipe && answer.asked >= number - (waiting ? 1 : 0)) tell(answer.recipe);
    draw();
    root.dataset.answered = answer.asked;
    root.dataset.proved = answer.recipe && answer.recipe.proof ? answer.asked : "";
    if (waiting) { const next = waiting; waiting = null; send(next); }
  }
  let cutChanged = true;
  function moved(withCut) {
    number += 1;
    cutChanged = cutChanged || withCut;
    draw();
    send({...at, number, cut: withCut});
    clearTimeout(rest);
    rest = setTimeout(() => { send({...at, number, cut: cutChanged, rest: true}); cutChanged = false; },
      450);
  }
  const pointed = event => {
    const box = canvas.getBoundingClientRect();
    at.a = Math.round(low + wide * (event.clientX - box.left) / box.width);
    at.b = Math.round(low + wide * (1 - (event.clientY - box.top) / box.height));
    moved(false);
  };
  canvas.addEventListener("pointerdown", event => {
    canvas.setPointerCapture(event.pointerId);
    pointed(event);
  });
  canvas.addEventListener("pointermove", event => { if (event.buttons) pointed(event); });
  canvas.addEventListener("keydown", event => {
    const by = {ArrowLeft: [-2, 0], ArrowRight: [2, 0], ArrowUp: [0, 2], ArrowDown: [0, -2]}[event.key];
    if (!by) return;
    event.preventDefault();
    at.a += by[0]; at.b += by[1];
    moved(false);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  moved(true);
  return answered;
}

function render({model, el}) {
  const answered = walk(el, model.get("start"), asked => model.send(asked));
  model.on("msg:custom", answered);
}

export default {render};
