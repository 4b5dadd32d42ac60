% Spectra by Octave with its signal package, for tests. Reads the file named by
% its argument: JSON {"x", "rate", "size", "hop", "window"}, one record a line;
% prints {"density": [...]} of each. (pwelch itself takes the mean of the whole
% record off, and not each segment's.)
pkg load signal
1;

function w = weights(name, n)
  switch name
    case "rectangular", w = ones(n, 1);
    case "hamming", w = hamming(n, "periodic");
    case "blackman", w = blackman(n, "periodic");
    case "flat-top", w = flattopwin(n, "periodic");
    otherwise, w = hann(n, "periodic");
  end
end

file = fopen(argv(){1});
while ischar(line = fgetl(file))
  r = jsondecode(line);
  w = weights(r.window, r.size);
  total = 0;
  count = 0;
  for at = 1:r.hop:numel(r.x) - r.size + 1
    segment = r.x(at:at + r.size - 1)(:);
    total += abs(fft(w .* (segment - mean(segment)))) .^ 2;
    count++;
  end
  last = floor(r.size / 2) + 1;
  density = total(1:last) / (count * r.rate * sum(w .^ 2));
  double = 2:last - (mod(r.size, 2) == 0);
  density(double) *= 2;
  printf("%s\n", jsonencode(struct("density", density)));
end
