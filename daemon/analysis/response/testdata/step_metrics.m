% Measures steps with Octave, for tests. Reads the file named by its argument:
% one JSON record a line, {"dt", "at", "set", "act"}; prints the measures as
% JSON. Levels: mean of the later half before the step, mean of the last fifth.
1;

function t = crossing(time, y, level)
  k = find(y >= level, 1);
  t = interp1(y(k-1:k), time(k-1:k), level);
end

function t = settling(time, dev, band)
  k = find(abs(dev) > band, 1, "last");
  t = interp1(dev(k:k+1), time(k:k+1), sign(dev(k)) * band);
end

function out = measure(record)
  at = record.at;  % index from 0
  y = record.act(:);
  r = record.set(:);
  before = mean(y(at - max(5, floor(at / 2)) + 1:at));
  n = numel(y) - at;
  tail = numel(y) - max(5, floor(n / 5)) + 1:numel(y);
  final = mean(y(tail));
  way = sign(final - before);
  size = abs(final - before);
  time = ((at - 1:numel(y) - 1)' - at) * record.dt;
  dev = (y(at:end) - final) * way;
  out.rise = crossing(time, dev, -0.1 * size) - crossing(time, dev, -0.9 * size);
  out.settle2 = settling(time, dev, 0.02 * size);
  out.settle5 = settling(time, dev, 0.05 * size);
  out.steady = mean(r(tail) - y(tail));
  out.ripple = sqrt(meansq(r(tail) - y(tail)));
  [top, k] = max(dev);
  out.over = 0;
  if top > 1e-5 * size
    p = polyfit([-1; 0; 1], dev(k-1:k+1), 2);
    out.over = 100 * polyval(p, -p(2) / (2 * p(1))) / size;
  end
end

file = fopen(argv(){1});
while ischar(line = fgetl(file))
  printf("%s\n", jsonencode(measure(jsondecode(line))));
end
