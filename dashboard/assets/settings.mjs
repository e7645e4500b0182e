// What a person chose on this screen, kept in localStorage where there is one.

export function kept(name, fallback) {
  try {
    return localStorage.getItem(`hoistward.${name}`) ?? fallback;
  } catch {
    return fallback;
  }
}

export function keep(name, value) {
  try {
    localStorage.setItem(`hoistward.${name}`, value);
  } catch {
    // A browser without storage asks again after a reload.
  }
}

// Themes as an account keeps them.
const LIKES = { "as the machine": "auto", day: "day", night: "night" };
export const likedTheme = () => LIKES[kept("theme", THEMES[0])];

let applyTheme = () => {};

// adoptTheme takes over what an account likes; nothing where it does not say.
export function adoptTheme(like) {
  const choice = Object.keys(LIKES).find((name) => LIKES[name] === like);
  if (!choice) return;
  keep("theme", choice);
  applyTheme();
}

const THEMES = ["as the machine", "day", "night"];
const dark = matchMedia("(prefers-color-scheme: dark)");

// theme applies the kept choice, and lets button go through the choices.
export function theme(button) {
  const apply = () => {
    const choice = kept("theme", THEMES[0]);
    const now = choice === THEMES[0] ? (dark.matches ? "night" : "day") : choice;
    document.documentElement.dataset.theme = now;
    button.textContent = choice === THEMES[0] ? `${now} (auto)` : now;
    button.setAttribute("aria-label", `${button.textContent} colours, change`);
  };
  button.addEventListener("click", () => {
    keep("theme", THEMES[(THEMES.indexOf(kept("theme", THEMES[0])) + 1) % THEMES.length]);
    apply();
  });
  dark.addEventListener("change", apply);
  applyTheme = apply;
  apply();
}
