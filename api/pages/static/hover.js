// Values of a history picture under the pointer or by the arrow keys.

document.getElementById("hover-hint").hidden = false;
for (const figure of document.querySelectorAll("figure.hover")) {
  const { start, end, rows } = JSON.parse(figure.dataset.hover);
  const output = figure.querySelector(".hovered");
  let index = rows.length - 1;

  const tell = (svg) => {
    const [moment, said] = rows[index];
    output.textContent = said;
    for (const drawn of figure.querySelectorAll("svg")) rule(drawn, moment);
    svg?.setAttribute("aria-description", said);
  };
  const rule = (svg, moment) => {
    let path = svg.querySelector(".hair");
    if (!path) {
      path = document.createElementNS("http://www.w3.org/2000/svg", "path");
      path.setAttribute("class", "hair");
      svg.append(path);
    }
    const size = svg.viewBox.baseVal;
    const left = Number(svg.dataset.head);
    const x = left + ((Number(svg.dataset.tail) - left) * (moment - start)) / (end - start);
    path.setAttribute("d", `M${x.toFixed(1)},10V${size.height - 30}`);
  };
  const nearest = (moment) => {
    let low = 0;
    let high = rows.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (rows[middle][0] <= moment) low = middle; else high = middle - 1;
    }
    return low;
  };
  for (const svg of figure.querySelectorAll("svg")) {
    svg.setAttribute("tabindex", "0");
    svg.addEventListener("pointermove", (event) => {
      const box = svg.getBoundingClientRect();
      const along = ((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
      const left = Number(svg.dataset.head);
      index = nearest(start + ((along - left) / (Number(svg.dataset.tail) - left)) * (end - start));
      tell();
    });
    svg.addEventListener("keydown", (event) => {
      const move = { ArrowRight: 1, ArrowLeft: -1, PageUp: 10, PageDown: -10 }[event.key];
      if (!move) return;
      event.preventDefault();
      index = Math.min(rows.length - 1, Math.max(0, index + move));
      tell(svg);
    });
  }
}
