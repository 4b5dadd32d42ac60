package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"

	"faultkeep/daemon/config"
)

// configFlag is the flag of every command that reads the config file.
type configFlag struct {
	Config string `help:"Config file. Left out: the one that the variable names, then ./faultkeep.yaml, then the machine's own." env:"FAULTKEEP_CONFIG" placeholder:"FILE"`
}

// usualConfig is the config's name in the working folder.
const usualConfig = "faultkeep.yaml"

// path is the config file to read.
func (f configFlag) path() (string, error) {
	if f.Config != "" {
		return f.Config, nil
	}
	system := systemConfig(runtime.GOOS, os.Getenv)
	for _, path := range []string{usualConfig, system} {
		if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() {
			return path, nil
		}
	}
	return "", usageError{fmt.Errorf("there is no config file: neither %s here nor %s. Name one with --config", usualConfig, system)}
}

// systemConfig is where the machine's own config lies.
func systemConfig(goos string, env func(string) string) string {
	if goos == "windows" {
		folder := env("ProgramData")
		if folder == "" {
			folder = `C:\ProgramData`
		}
		return filepath.Join(folder, "faultkeep", usualConfig)
	}
	return filepath.Join("/etc", "faultkeep", usualConfig)
}

// load reads the config file with all that it names. What is wrong with it
// comes as strict.Problems.
func (f configFlag) load() (*config.Loaded, error) {
	path, err := f.path()
	if err != nil {
		return nil, err
	}
	return loadConfig(path)
}

func loadConfig(path string) (*config.Loaded, error) {
	loaded, problems := config.Load(path)
	if len(problems) > 0 {
		return nil, problems
	}
	return loaded, nil
}

// dataFlag is for commands that read what was kept.
type dataFlag struct {
	configFlag
	Data string `help:"Data folder. Left out: the one that the config names." placeholder:"DIR"`
}

// folder is the data folder to read.
func (f dataFlag) folder() (string, error) {
	if f.Data != "" {
		info, err := os.Stat(f.Data)
		switch {
		case errors.Is(err, os.ErrNotExist):
			return "", fmt.Errorf("the data folder %s doesn't exist", f.Data)
		case err != nil:
			return "", fmt.Errorf("the data folder: %w", err)
		case !info.IsDir():
			return "", usageError{fmt.Errorf("--data %s is a file. Name the folder that it is in", f.Data)}
		}
		return f.Data, nil
	}
	loaded, err := f.load()
	if err != nil {
		return "", err
	}
	return loaded.Config.Data, nil
}
