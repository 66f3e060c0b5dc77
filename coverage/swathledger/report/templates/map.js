(() => {
  const frame = document.querySelector(".map[data-live]");
  if (!frame) return;
  document.documentElement.classList.add("live");
  const svg = frame.querySelector("svg.ground");
  const shown = svg.querySelector(".shown");
  const tools = document.getElementById("map-tools");
  const spot = document.getElementById("map-spot");
  const cross = svg.querySelector(".cross");
  const bar = frame.querySelector(".bar-scale");
  const words = frame.dataset;
  const whole = svg.viewBox.baseVal;
  const full = {x: whole.x, y: whole.y, width: whole.width, height: whole.height};
  let view = {...full};
  let moved = false;
  let at = {x: full.width / 2, y: full.height / 2};
  tools.hidden = false;
  spot.hidden = false;

  const place = Object.fromEntries(["x", "y", "width", "height"].map(key => [key, Number(words[key])]));
  const pictures = [...svg.querySelectorAll("image[data-name]")].map(image => {
    const name = image.dataset.name;
    const legend = document.getElementById(`legend-${name}`);
    const known = new Map([...legend.querySelectorAll("[data-colour]:not([data-quiet])")].map(item =>
      [parseInt(item.dataset.colour.slice(1), 16), item.textContent.trim()]));
    const picture = {name, known, data: null};
    const copy = new Image();
    copy.addEventListener("load", () => {
      const canvas = document.createElement("canvas");
      canvas.width = copy.naturalWidth;
      canvas.height = copy.naturalHeight;
      const pen = canvas.getContext("2d", {willReadFrequently: true});
      pen.drawImage(copy, 0, 0);
      picture.width = canvas.width;
      picture.height = canvas.height;
      picture.data = pen.getImageData(0, 0, canvas.width, canvas.height).data;
      frame.dataset.read = pictures.filter(item => item.data).length;
    });
    copy.src = image.getAttribute("href");
    return picture;
  });
  const runs = [...svg.querySelectorAll(".pass")].map(path => ({
    words: path.dataset.words, reach: Number(path.dataset.reach),
    lines: path.getAttribute("d").split("M").filter(Boolean).map(part => part.split("L").map(pair => pair.split(" ").map(Number))),
  }));
  const near = run => run.lines.some(line => line.some(([bx, by], i) => {
    if (i === 0) return false;
    const [ax, ay] = line[i - 1];
    const dx = bx - ax, dy = by - ay, length = dx * dx + dy * dy || 1;
    const s = ((at.x - ax) * dx + (at.y - ay) * dy) / length;
    return s >= 0 && s <= 1 && Math.hypot(at.x - ax - s * dx, at.y - ay - s * dy) <= run.reach;
  }));
  const tell = () => {
    cross.setAttribute("transform", `translate(${at.x} ${at.y}) scale(${view.width / full.width})`);
    const said = [];
    let read = 0;
    for (const picture of pictures) {
      if (!picture.data) continue;
      read += 1;
      const column = Math.floor((at.x - place.x) / place.width * picture.width);
      const row = Math.floor((at.y - place.y) / place.height * picture.height);
      if (column < 0 || row < 0 || column >= picture.width || row >= picture.height) continue;
      const i = 4 * (row * picture.width + column), d = picture.data;
      if (d[i + 3] === 0) continue;
      const found = picture.known.get((d[i] << 16) | (d[i + 1] << 8) | d[i + 2]);
      if (found) said.push(`${words["say" + picture.name[0].toUpperCase() + picture.name.slice(1)]}: ${found}`);
    }
    const by = runs.filter(near).map(run => run.words);
    if (said.length && by.length) said.push(`${words.sayPasses}: ${by.slice(0, 8).join(", ")}${by.length > 8 ? " …" : ""}`);
    if (!moved) return;
    spot.textContent = said.length ? said.join(" · ") : read ? words.sayNothing : "";
  };
  const draw = () => {
    svg.setAttribute("viewBox", `${view.x} ${view.y} ${view.width} ${view.height}`);
    svg.style.setProperty("--grain", view.width / full.width);
    const unit = Number(words.metres), quarter = view.width / 4 / unit;
    const power = 10 ** Math.floor(Math.log10(quarter));
    const length = Math.max(...[1, 2, 5, 10].filter(f => f * power <= quarter)) * power;
    bar.style.width = `${100 * length * unit / view.width}%`;
    bar.textContent = `${length.toLocaleString("en", {maximumFractionDigits: 2})} ${words.unit}`;
    tell();
  };
  const zoom = (factor, x, y) => {
    const width = Math.min(full.width, Math.max(full.width / 60, view.width * factor));
    const k = width / view.width;
    view = {x: x - (x - view.x) * k, y: y - (y - view.y) * k, width, height: view.height * k};
    keep();
  };
  const keep = () => {
    view.x = Math.min(Math.max(view.x, 0), full.width - view.width);
    view.y = Math.min(Math.max(view.y, 0), full.height - view.height);
    draw();
  };
  const ground = event => {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return {x: point.x, y: point.y};
  };

  tools.querySelectorAll("input[name=layer]").forEach(input => input.addEventListener("change", () => {
    shown.setAttribute("href", `#layer-${input.value}`);
    document.querySelectorAll(".legend-layer").forEach(list => { list.hidden = list.id !== `legend-${input.value}`; });
  }));
  tools.querySelectorAll("input[type=checkbox]").forEach(input => input.addEventListener("change", () => {
    svg.querySelectorAll(`.${input.value}`).forEach(part => part.classList.toggle("off", !input.checked));
  }));
  tools.querySelectorAll("button").forEach(button => button.addEventListener("click", () => {
    const middle = {x: view.x + view.width / 2, y: view.y + view.height / 2};
    if (button.value === "all") { view = {...full}; draw(); } else zoom(button.value === "in" ? 0.5 : 2, middle.x, middle.y);
  }));

  const held = new Map();
  let spread = 0;
  svg.addEventListener("wheel", event => {
    if (!event.ctrlKey && document.activeElement !== frame) return;
    event.preventDefault();
    const p = ground(event);
    zoom(event.deltaY > 0 ? 1.25 : 0.8, p.x, p.y);
  }, {passive: false});
  svg.addEventListener("pointerdown", event => {
    held.set(event.pointerId, event);
    if (event.pointerType === "mouse") svg.setPointerCapture(event.pointerId);
    at = ground(event);
    moved = true;
    tell();
  });
  svg.addEventListener("pointermove", event => {
    const before = held.get(event.pointerId);
    if (before && held.size === 2) {
      held.set(event.pointerId, event);
      const [a, b] = [...held.values()];
      const now = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
      if (spread) { const p = ground(event); zoom(spread / now, p.x, p.y); }
      spread = now;
      return;
    }
    if (before) {
      const scale = view.width / svg.getBoundingClientRect().width;
      view.x -= (event.clientX - before.clientX) * scale;
      view.y -= (event.clientY - before.clientY) * scale;
      held.set(event.pointerId, event);
      keep();
    }
    at = ground(event);
    moved = true;
    tell();
  });
  for (const name of ["pointerup", "pointercancel", "pointerleave"]) {
    svg.addEventListener(name, event => { held.delete(event.pointerId); spread = 0; });
  }
  frame.addEventListener("keydown", event => {
    const step = view.width / 40, moves = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]};
    if (event.key in moves) {
      const [dx, dy] = moves[event.key];
      moved = true;
      at = {x: Math.min(Math.max(at.x + dx * step, 0), full.width), y: Math.min(Math.max(at.y + dy * step, 0), full.height)};
      if (at.x < view.x || at.x > view.x + view.width) view.x = at.x - view.width / 2;
      if (at.y < view.y || at.y > view.y + view.height) view.y = at.y - view.height / 2;
      keep();
    } else if (event.key === "+" || event.key === "=") zoom(0.5, at.x, at.y);
    else if (event.key === "-") zoom(2, at.x, at.y);
    else if (event.key === "0") { view = {...full}; draw(); }
    else return;
    event.preventDefault();
  });
  addEventListener("beforeprint", () => { view = {...full}; draw(); });
  draw();
})();
