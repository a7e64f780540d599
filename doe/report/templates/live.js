(() => {
  "use strict";
  const buttons = document.querySelectorAll("button[data-figure]");
  if (!("DecompressionStream" in window)) return;
  const letters = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%&()*+-;,=>?@^_`{|}~";
  const values = new Uint8Array(128);
  for (let i = 0; i < letters.length; i++) values[letters.charCodeAt(i)] = i;

  const unpack = (text) => {
    const short = (5 - (text.length % 5)) % 5;
    const full = text + "~".repeat(short);
    const bytes = new Uint8Array((full.length / 5) * 4);
    for (let i = 0, j = 0; i < full.length; i += 5, j += 4) {
      let n = 0;
      for (let k = 0; k < 5; k++) n = n * 85 + values[full.charCodeAt(i + k)];
      bytes[j] = n >>> 24; bytes[j + 1] = n >>> 16; bytes[j + 2] = n >>> 8; bytes[j + 3] = n;
    }
    return bytes.subarray(0, bytes.length - short);
  };

  const read = async (id) => {
    const packed = unpack(document.getElementById(id).textContent.trim());
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).text();
  };

  let loading = null;
  const load = () => {
    loading = loading || (async () => {
      const script = document.createElement("script");
      script.textContent = await read("plot-library");
      document.head.append(script);
      return read("plot-figures");
    })();
    return loading;
  };

  const coloured = (text) => {
    const style = getComputedStyle(document.documentElement);
    return text.replace(/var\((--[a-z0-9-]+)\)/g, (whole, name) => style.getPropertyValue(name).trim());
  };

  const draw = async (key) => {
    const spec = JSON.parse(coloured(await load()))[key];
    const place = document.getElementById(key + "-live");
    await window.Plotly.react(place, spec.data, spec.layout, {responsive: true, displayModeBar: false, scrollZoom: false});
    place.dataset.ready = "yes";
  };

  const drawn = new Set();
  for (const button of buttons) {
    const key = button.dataset.figure;
    const still = document.getElementById(key + "-static");
    const live = document.getElementById(key + "-live");
    button.parentElement.hidden = false;
    button.addEventListener("click", async () => {
      if (!live.hidden) {
        live.hidden = true; still.hidden = false;
        button.textContent = "Read values by pointing";
        return;
      }
      button.disabled = true; button.textContent = "Preparing …";
      try {
        await load();
        live.hidden = false; still.hidden = true;
        await draw(key); drawn.add(key);
        button.textContent = "Back to the still picture";
      } catch (error) {
        live.hidden = true; still.hidden = false;
        button.textContent = "This browser cannot show it; the table below has the values";
      }
      button.disabled = false;
    });
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => drawn.forEach(draw));
})();
