// Where things are: strip pixels, millimetres from the datum, clock positions.
//
// On the page's plane x counts columns and y counts rows downwards (negative), so that the centre
// of pixel (row i, column j) lies at x = j + 0.5, y = -(i + 0.5). On a ring x has no end: a turn
// further on is the same metal.

export function makePlaces(facts) {
  const { pitch_mm: pitch, s_first_mm: sFirst, z_first_mm: zFirst, rows } = facts;
  const around = facts.circumference_mm;
  const turn = facts.ring ? Math.round(around / pitch) : 0;
  const clockwise = facts.direction !== "counterclockwise";
  const columns = facts.ring ? turn : facts.columns;

  const wrapX = (x) => (turn ? x - turn * Math.floor(x / turn) : x);
  const sOf = (x) => sFirst + (wrapX(x) - 0.5) * pitch;
  const xOf = (s) => (s - sFirst) / pitch + 0.5;
  const zOf = (y) => zFirst + (-y - 0.5) * pitch;
  const yOf = (z) => -((z - zFirst) / pitch + 0.5);

  // Of all turns, the x of a place that lies nearest to another x.
  const xNear = (s, x) => {
    const first = xOf(s);
    return turn ? first + turn * Math.round((x - first) / turn) : first;
  };

  // Turns round the dial from the datum at 12, clockwise as seen.
  const turnsOf = (s) => {
    const part = around ? s / around : 0;
    const turns = clockwise ? part : -part;
    return turns - Math.floor(turns);
  };
  const sOfTurns = (turns) => {
    const part = clockwise ? turns : -turns;
    return (part - Math.floor(part)) * around;
  };
  const clockText = (s) => {
    if (!around) return "–";
    const minutes = Math.round(turnsOf(s) * 720) % 720;
    const hour = Math.floor(minutes / 60) || 12;
    return `${hour}:${String(minutes % 60).padStart(2, "0")}`;
  };

  const inside = (x, y) => y <= 0 && y >= -rows && (turn > 0 || (x >= 0 && x <= columns));
  return {
    ...{ pitch, rows, columns, turn, around, sFirst, zFirst },
    ...{ wrapX, sOf, xOf, zOf, yOf, xNear, turnsOf, sOfTurns, clockText, inside },
  };
}

export const mm = (value, digits = 1) =>
  value === null || value === undefined ? "–" : `${Number(value).toFixed(digits)} mm`;
